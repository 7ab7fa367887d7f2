"""The OPC UA server of a site, where its settings ask for one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hissmark.access.book import Book
from hissmark.access.errors import AccessError
from hissmark.daemon.acting import Acting
from hissmark.publish.live import LiveState
from hissmark.site.load import Site
from hissmark.site.loopback import is_loopback
from hissmark.store.reader import Reader

if TYPE_CHECKING:
    from hissmark.opcua.server import OpcUaServer


def opcua_of(
    site: Site, live: LiveState, reader: Reader, book: Book | None,
    acting: Acting,
) -> OpcUaServer | None:  # fmt: skip
    """The server, not started yet; None unless enabled. Raises AccessError if it would be unsafe."""
    asked = site.settings.opcua
    if not asked.enabled:
        return None
    if not is_loopback(asked.host):
        _require_safe(asked.host, asked.unencrypted, book)
    try:
        from hissmark.opcua.server import OpcUaServer, Options
    except ImportError as error:
        raise AccessError(
            "[opcua] needs the library asyncua. Install it: pip install 'hissmark[opcua]'."
        ) from error
    folder = site.folder / "data" / "opcua"
    options = Options(site.name, asked.host, asked.port, folder, asked.security, asked.unencrypted)
    return OpcUaServer(options, live, reader, book, acting.act, acting.write_note)


def _require_safe(host: str, unencrypted: bool, book: Book | None) -> None:
    if unencrypted:
        raise AccessError(
            f"[opcua] {host} can be reached from other machines: set unencrypted = false, or keep 127.0.0.1."
        )
    if book is None or not book.asks:
        raise AccessError(
            f"[opcua] {host} can be reached from other machines, and this site has no users. Make the first: "
            "hissmark user add SITE NAME --role administrator."
        )
