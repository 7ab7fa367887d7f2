"""A TCP relay before a database that can fall silent: it takes what comes and passes nothing on."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from types import TracebackType

from support.broker import free_port

READ_BYTES = 1 << 16


class Relay:
    """Listens on `port` and passes bytes both ways to `to` until it is told to be silent."""

    def __init__(self, to: tuple[str, int]) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self._to = to
        self._server = socket.create_server((self.host, self.port))
        self._silent = threading.Event()
        self._ended = threading.Event()
        self._sockets: list[socket.socket] = []
        self._old: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    def fall_silent(self) -> None:
        """From now on nothing passes, old connections or new ones; none is closed."""
        self._silent.set()

    def speak(self) -> None:
        """New connections work again. The old ones stay silent for ever, as those of a host that is gone."""
        self._old += self._sockets
        self._sockets, self._silent = [], threading.Event()

    def _accept(self) -> None:
        while not self._ended.is_set():
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            silent = self._silent
            self._sockets.append(near)
            if not silent.is_set():
                far = socket.create_connection(self._to)
                self._sockets.append(far)
                threading.Thread(target=self._pass_on, args=(near, far, silent), daemon=True).start()

    def _pass_on(self, near: socket.socket, far: socket.socket, silent: threading.Event) -> None:
        other = {near: far, far: near}
        with selectors.DefaultSelector() as waiting:
            for each in other:
                waiting.register(each, selectors.EVENT_READ)
            while not silent.is_set() and not self._ended.is_set():
                for key, _ in waiting.select(0.05):
                    one = key.fileobj
                    assert isinstance(one, socket.socket)
                    try:
                        data = one.recv(READ_BYTES)
                        other[one].sendall(data)
                    except OSError:
                        data = b""
                    if not data:
                        near.close()
                        far.close()
                        return

    def __enter__(self) -> Relay:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        for each in (self._server, *self._sockets, *self._old):
            each.close()
