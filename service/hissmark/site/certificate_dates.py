"""When certificates end that the site uses."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

from hissmark.site.files import file_of
from hissmark.site.load import Site


class CertificateError(Exception):
    """A file is no certificate; the message names it."""


def of_site(site: Site) -> dict[str, Path]:
    """Whose -> file, of those certificates that the site presents to others."""
    http, mqtt = site.settings.http, site.settings.mqtt
    named = {"page": http.cert_file, "client": mqtt.cert_file if mqtt else None}
    return {whose: file_of(site.folder, text) for whose, text in named.items() if text is not None}


def ends(path: Path) -> datetime:
    """When the (first) certificate of a PEM file ends. Raises CertificateError."""
    try:
        decoded = ssl._ssl._test_decode_cert(str(path))  # type: ignore[attr-defined]
    except (OSError, ssl.SSLError, ValueError) as error:
        raise CertificateError(f"{path} cannot be read as a certificate ({error})") from error
    return moment(decoded["notAfter"])


def moment(text: str) -> datetime:
    """A time as certificates write it."""
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(text), UTC)
