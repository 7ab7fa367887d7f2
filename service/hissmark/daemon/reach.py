"""Who can reach the service, and what it needs before others than this machine can."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.access.book import Book
from hissmark.access.errors import AccessError
from hissmark.access.sessions import SessionLimits
from hissmark.daemon.certificate import CertificateFiles
from hissmark.daemon.clock import WallClock
from hissmark.site.files import file_of
from hissmark.site.load import Site
from hissmark.site.loopback import is_loopback


def book_of(site: Site, store: sa.Engine, reading: sa.Engine) -> Book:
    """The users of a site. Their sessions go by the machine's clock, whatever the service's shows."""
    http = site.settings.http
    limits = SessionLimits(http.session_idle_s, http.session_longest_s)
    return Book(store, WallClock().now_us, limits, reading)


def certificate_of(site: Site) -> CertificateFiles | None:
    """The certificate that the settings name."""
    http = site.settings.http
    if http.cert_file is None or http.key_file is None:
        return None
    return CertificateFiles(file_of(site.folder, http.cert_file), file_of(site.folder, http.key_file))


def require_safe_reach(site: Site, book: Book | None) -> None:
    """Raise AccessError if others could reach it unasked, or passwords would go about in the clear."""
    http = site.settings.http
    if is_loopback(http.host):
        return
    if book is None:
        raise AccessError(f"the demo asks nobody who they are: it is not served on {http.host}.")
    if certificate_of(site) is None and not http.trusted_proxy:
        raise AccessError(
            f"{http.host} can be reached from other machines, and nothing encrypts. Give cert_file and "
            "key_file in [http] of site.toml, or name the proxy that encrypts in trusted_proxy."
        )
    if not book.asks:
        raise AccessError(
            f"{http.host} can be reached from other machines, and this site has no users. Make the first:\n"
            f"  hissmark user add {site.folder} NAME --role administrator\n"
            'or keep host = "127.0.0.1" in [http] of site.toml.'
        )
