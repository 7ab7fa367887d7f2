"""The web server in a thread of its own."""

from __future__ import annotations

import socket
import ssl
import threading

import structlog
import uvicorn
from fastapi import FastAPI

from hissmark.daemon.certificate import Certificate, CertificateFiles
from hissmark.daemon.connections import Bounds, bounded

log = structlog.get_logger("hissmark.daemon")


class AddressError(Exception):
    """The address of the page cannot be used; the message says what to do."""


class WebServer:
    """Serves the application until stopped. The port is taken at once, so that trouble shows at the start."""

    def __init__(
        self, app: FastAPI, host: str, port: int, certificate: CertificateFiles | None = None,
        bounds: Bounds | None = None,
    ) -> None:  # fmt: skip
        self._socket = _bound(host, port)
        self.host, self.port = host, int(self._socket.getsockname()[1])
        config = uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="on", timeout_graceful_shutdown=2,
            timeout_keep_alive=10, limit_concurrency=500, server_header=False,
            http=bounded(bounds or Bounds()), ws="none",
            proxy_headers=False,  # whose word is believed is decided by the gate (web/callers.py)
            ssl_certfile=certificate.cert if certificate else None,
            ssl_keyfile=certificate.key if certificate else None,
        )  # fmt: skip
        self._certificate = _encrypting(config, certificate) if certificate else None
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    @property
    def address(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if self._certificate else 'http'}://{host}:{self.port}"

    def look(self) -> None:
        """Every second: has the certificate been renewed?"""
        if self._certificate is not None:
            self._certificate.refresh()

    def start(self) -> None:
        self._thread.start()

    @property
    def ended(self) -> bool:
        """Whether it was started and serves no more."""
        return self._thread.ident is not None and not self._thread.is_alive()

    def stop(self, timeout_s: float = 4.0) -> None:
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def _encrypting(config: uvicorn.Config, files: CertificateFiles) -> Certificate:
    config.load()
    if config.ssl is None:
        raise AddressError("the web server did not take the certificate.")
    config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
    return Certificate(files, config.ssl)


def _bound(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
        sock.listen(128)
    except OSError as error:
        sock.close()
        reason = (error.strerror or str(error)).lower()
        raise AddressError(
            f"cannot serve the page on {host} port {port}: {reason}. Choose another port in [http] of "
            "site.toml (demo: --port), or stop what uses it."
        ) from error
    return sock
