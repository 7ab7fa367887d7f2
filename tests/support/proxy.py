"""A network that fails on purpose: a TCP proxy between service and broker.

with Proxy(broker) as proxy:
    site = write_site(folder, proxy, ...)      # it has a host and a port as a broker has
    proxy.fall_silent()                        # half-open: nothing passes any more, nobody is told
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from dataclasses import dataclass, field
from types import TracebackType

from support.broker import Broker, free_port

CHUNK = 1 << 16
STEP_S = 0.02


@dataclass(eq=False)
class _Link:
    """One connection from a client through to the broker."""

    client: socket.socket
    broker: socket.socket
    silent: threading.Event = field(default_factory=threading.Event)
    cut_after: int | None = None
    """Bytes to the client after which it is cut, in the middle of whatever that is."""
    passed: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def cut(self) -> None:
        """End both sides with a reset, as a router does that forgot the connection."""
        for sock in (self.client, self.broker):
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                sock.shutdown(socket.SHUT_RDWR)
            sock.close()


class Proxy:
    """Passes bytes on, as well or as badly as it is told.

    Attributes:
        rate: bytes a second to the client, in small pieces; None: as fast as it goes.
        latency_s: by how much every piece is late, either way.
        passed: bytes that went to clients. cuts: connections that were cut.
    """

    def __init__(self, broker: Broker) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self.rate: float | None = None
        self.latency_s = 0.0
        self.passed = 0
        self.cuts = 0
        self._broker = broker
        self._links: set[_Link] = set()
        self._server: socket.socket | None = None
        self._ended = threading.Event()

    def cut(self) -> None:
        """Cut every connection now."""
        for link in list(self._links):
            self._cut(link)

    def cut_in_mid_packet(self, after_bytes: int) -> None:
        """Cut the present connections once so many more bytes have gone to the client."""
        for link in list(self._links):
            link.cut_after = link.passed + after_bytes

    def fall_silent(self) -> None:
        """From now on nothing passes on the present connections, and nobody is told; new ones work."""
        for link in list(self._links):
            link.silent.set()

    @property
    def connections(self) -> int:
        return len(self._links)

    def _cut(self, link: _Link) -> None:
        with link.lock:
            if link in self._links:
                self._links.discard(link)
                self.cuts += 1
        link.cut()

    def _accept(self) -> None:
        assert self._server is not None
        while not self._ended.is_set():
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            try:
                link = _Link(client, socket.create_connection((self._broker.host, self._broker.port)))
            except OSError:
                client.close()
                continue
            self._links.add(link)
            for down in (True, False):
                threading.Thread(target=self._pass, args=(link, down), daemon=True).start()

    def _pass(self, link: _Link, down: bool) -> None:
        source, sink = (link.broker, link.client) if down else (link.client, link.broker)
        try:
            while data := source.recv(self._piece() if down else CHUNK):
                if self.latency_s:
                    time.sleep(self.latency_s)
                while link.silent.is_set() and not self._ended.is_set():
                    time.sleep(STEP_S)
                self._send(link, sink, data, down)
                if down and self.rate:
                    time.sleep(len(data) / self.rate)
        except OSError:
            pass
        finally:
            if not link.silent.is_set():
                self._links.discard(link)
                link.cut()

    def _piece(self) -> int:
        return max(1, int(self.rate * STEP_S)) if self.rate else CHUNK

    def _send(self, link: _Link, sink: socket.socket, data: bytes, down: bool) -> None:
        if not down:
            sink.sendall(data)
            return
        if link.cut_after is not None and link.passed + len(data) >= link.cut_after:
            sink.sendall(data[: link.cut_after - link.passed])
            time.sleep(STEP_S)  # a reset would overtake them
            self._cut(link)
            return
        sink.sendall(data)
        link.passed += len(data)
        self.passed += len(data)

    def __enter__(self) -> Proxy:
        self._server = socket.create_server((self.host, self.port))
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        if self._server is not None:
            self._server.close()
        self.cut()
