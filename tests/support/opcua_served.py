"""An OPC UA server over an invented plant, and a client's certificate."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from asyncua.crypto.cert_gen import setup_self_signed_certificate
from cryptography.x509.oid import ExtendedKeyUsageOID

from hissmark.access.book import Book
from hissmark.opcua.server import POLICIES, OpcUaServer, Options
from support.broker import free_port
from support.invented import Invented

APP = "urn:hissmark:test-client"


@contextmanager
def served(plant: Invented, book: Book | None = None, *, unencrypted: bool = True) -> Iterator[Options]:
    options = Options(
        "North works", "127.0.0.1", free_port(), plant.folder / "opcua", tuple(POLICIES), unencrypted
    )
    server = OpcUaServer(options, plant.live, plant.reader, book, plant.act, plant.write_note)
    server.start()
    assert server.alive, server._failure
    try:
        yield options
    finally:
        server.stop()


async def client_files(folder: Path) -> tuple[Path, Path]:
    """Certificate (DER) and key (PEM) of a client."""
    folder.mkdir(exist_ok=True)
    cert, key = folder / "cert.der", folder / "key.pem"
    await setup_self_signed_certificate(
        key, cert, APP, "localhost", [ExtendedKeyUsageOID.CLIENT_AUTH], {"commonName": "test client"}
    )
    return cert, key
