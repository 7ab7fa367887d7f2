"""A wire tap between a client and its broker: records what the client sends, and can cut the line."""

from __future__ import annotations

import contextlib
import socket
import threading

from support.broker import Broker


class Tap:
    """Forwards TCP connections to a broker. Connect to `host`, `port` instead of the broker's own."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = self._listener.getsockname()
        self.writes: list[bytes] = []
        """What the client sent, as it came off the wire."""
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Break every connection, without a word of MQTT."""
        for sock in self._open:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        self._open.clear()

    def close(self) -> None:
        """Cut, and take no more connections."""
        self._listener.close()
        self.cut()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                server = socket.create_connection((self._broker.host, self._broker.port))
                self._open += [client, server]
                threading.Thread(target=self._pump, args=(client, server, self.writes), daemon=True).start()
                threading.Thread(target=self._pump, args=(server, client, None), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, record: list[bytes] | None) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(1 << 16):
                if record is not None:
                    record.append(data)
                sink.sendall(data)
        for sock in (source, sink):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def pubacks(self) -> list[int]:
        """Packet ids of the PUBACKs the client sent, in order (MQTT 3.1.1, 3.4: 0x40, 2, id)."""
        data = b"".join(self.writes)
        ids: list[int] = []
        at = 0
        while at + 1 < len(data):
            length, head = data[at + 1], 2
            if length >= 128:
                length, head = (length & 127) | data[at + 2] << 7, 3
            if data[at] == 0x40:
                ids.append(int.from_bytes(data[at + 2 : at + 4], "big"))
            at += head + length
        return ids
