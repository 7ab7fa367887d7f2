"""The health check of the image, against a service that is alive, one that is not, and none."""

from __future__ import annotations

import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from support.broker import free_port
from support.certificates import Authority

SCRIPT = Path(__file__).parents[2] / "docker" / "alive.py"


@contextmanager
def answering(status: int, pair: tuple[Path, Path] | None = None) -> Iterator[int]:
    """Something that answers /health/live; gives its port."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/health/live" else 404)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    if pair is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*pair)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


def asked(folder: Path, settings: str) -> int:
    (folder / "site.toml").write_text(f'name = "x"\n[http]\n{settings}\n')
    return subprocess.run([sys.executable, SCRIPT, folder], check=False, capture_output=True).returncode


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1)])
def test_says_what_the_service_says(tmp_path: Path, status: int, code: int) -> None:
    with answering(status) as port:
        assert asked(tmp_path, f'host = "0.0.0.0"\nport = {port}') == code


def test_knows_that_the_service_encrypts(tmp_path: Path) -> None:
    """The certificate is made for another name, as it is for people."""
    pair = Authority(tmp_path / "ca").issue("page", "DNS:leaks.north.example")
    with answering(200, pair) as port:
        assert asked(tmp_path, f'port = {port}\ncert_file = "{pair[0]}"') == 0
        assert asked(tmp_path, f"port = {port}") == 1


def test_nobody_there(tmp_path: Path) -> None:
    assert asked(tmp_path, f"port = {free_port()}") == 1
