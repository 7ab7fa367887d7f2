"""The web server in a thread of its own."""

from __future__ import annotations

import socket
import threading

import structlog
import uvicorn
from fastapi import FastAPI

log = structlog.get_logger("hissmark.daemon")


class AddressError(Exception):
    """The address of the page cannot be used; the message says what to do."""


class WebServer:
    """Serves the application until stopped. The port is taken at once, so that trouble shows at the start."""

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._socket = _bound(host, port)
        self.host, self.port = host, int(self._socket.getsockname()[1])
        config = uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="on", timeout_graceful_shutdown=2,
            timeout_keep_alive=10, limit_concurrency=500, server_header=False,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    @property
    def address(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}"

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 4.0) -> None:
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


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
            f"cannot serve the page on {host} port {port}: {reason}. Choose another port in [http] of site.toml "
            "(demo: --port), or stop what uses it."
        ) from error
    return sock
