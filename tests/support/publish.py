"""A gateway as a plant has them: publishes at QoS 1 over a bare socket, keeps what was not acknowledged, and
sends it again when the broker comes back. Faster than any receiver takes it; `rate` slows it down.

    gateway = Gateway(broker)
    gateway.send(messages)                       # returns when the broker has acknowledged all of it
    with gateway.sending(messages, rate=4000):   # in a thread of its own
        ...
"""

from __future__ import annotations

import contextlib
import json
import select
import socket
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

from support.broker import Broker
from support.patience import PATIENCE_S

Sent = tuple[str, bytes]
"""Topic and payload."""

PACE_S = 0.02
RETRY_S = 0.1


def _length(size: int) -> bytes:
    """Remaining length (MQTT 3.1.1, 2.2.3)."""
    out = bytearray()
    while True:
        size, low = divmod(size, 128)
        out.append(low | (128 if size else 0))
        if not size:
            return bytes(out)


def _publish(topic: str, payload: bytes, packet_id: int, retain: bool) -> bytes:
    """A PUBLISH at QoS 1 (MQTT 3.1.1, 3.3)."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + packet_id.to_bytes(2, "big") + payload
    return (b"\x33" if retain else b"\x32") + _length(len(body)) + body


class Gateway:
    """One publisher of its own session. Use from one thread at a time.

    Args:
        window: messages that may be out without the broker's acknowledgement.
    """

    def __init__(self, broker: Broker, name: str = "gateway", *, window: int = 500) -> None:
        self._address = (broker.host, broker.port)
        self._name = name.encode()
        self._window = window
        self._socket: socket.socket | None = None
        self._waiting: dict[int, bytes] = {}
        self._id = 0
        self.reconnects = -1
        self.sent = 0

    def send(self, messages: Iterable[Sent], *, rate: float | None = None, retain: bool = False) -> None:
        """Publish all and wait for every PUBACK, over as many connections as it takes."""
        began_s = time.monotonic()
        for done, (topic, payload) in enumerate(messages, start=1):
            self._put(_publish(topic, payload, self._next_id(), retain))
            ahead_s = done / rate - (time.monotonic() - began_s) if rate else 0.0
            if ahead_s > PACE_S:
                time.sleep(ahead_s)
        while self._waiting:
            self._take(0.2)

    @contextmanager
    def sending(self, messages: Iterable[Sent], *, rate: float | None = None) -> Iterator[threading.Thread]:
        """`send` in a thread; the block ends when all is sent. Raises what went wrong in the thread."""
        failures: list[BaseException] = []

        def run() -> None:
            try:
                self.send(messages, rate=rate)
            except BaseException as error:
                failures.append(error)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        yield thread
        thread.join()
        if failures:
            raise failures[0]

    def close(self) -> None:
        """Leave without a word."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _next_id(self) -> int:
        self._id = self._id % 65535 + 1
        return self._id

    def _put(self, packet: bytes) -> None:
        while len(self._waiting) >= self._window:
            self._take(0.2)
        self._waiting[self._id] = packet
        self.sent += 1
        self._write(packet)

    def _write(self, packet: bytes) -> None:
        if self._socket is None:
            self._connect()  # which sends everything that waits, this one too
            return
        try:
            self._socket.sendall(packet)
        except OSError:
            self._lost()

    def _take(self, wait_s: float) -> None:
        """Read acknowledgements that are there, or come within `wait_s`."""
        if self._socket is None:
            self._connect()
        assert self._socket is not None
        try:
            if not select.select([self._socket], [], [], wait_s)[0]:
                return
            data = self._socket.recv(1 << 16)
            while data and len(data) % 4:
                data += self._socket.recv(4 - len(data) % 4)
        except OSError:
            data = b""
        if not data:
            self._lost()
            return
        for at in range(0, len(data), 4):
            assert data[at] == 0x40, f"the broker sent {data[at : at + 4]!r} instead of a PUBACK"
            self._waiting.pop(int.from_bytes(data[at + 2 : at + 4], "big"), None)

    def _lost(self) -> None:
        self.close()
        time.sleep(RETRY_S)

    def _connect(self) -> None:
        """Until the broker takes us; then everything not acknowledged goes out again, in order."""
        while self._socket is None:
            with contextlib.suppress(OSError):
                sock = socket.create_connection(self._address, timeout=PATIENCE_S)
                body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(self._name).to_bytes(2, "big") + self._name
                sock.sendall(b"\x10" + _length(len(body)) + body)
                if sock.recv(4) == b"\x20\x02\x00\x00":
                    self._socket = sock
                    break
                sock.close()
            time.sleep(RETRY_S)
        self.reconnects += 1
        for packet in list(self._waiting.values()):
            try:
                self._socket.sendall(packet)
            except OSError:
                self._lost()
                return self._connect()
        return None


class Gates:
    """Messages that flow up to the next gate and wait there until it is opened.

    Args:
        places: how many messages lie before each gate, ascending.
    """

    def __init__(self, messages: Sequence[Sent], places: Sequence[int]) -> None:
        self._messages, self._places = messages, list(places)
        self._open = threading.Semaphore(0)

    def open(self) -> None:
        """Let them flow up to the next gate."""
        self._open.release()

    def __iter__(self) -> Iterator[Sent]:
        for number, message in enumerate(self._messages):
            for _ in range(self._places.count(number)):
                self._open.acquire()
            yield message


def samples_in(message: Sent) -> int:
    """How many samples a message of `json_value` or `senml_pack` brings."""
    return message[1].count(b'"v":') or 1


def json_value(value: float, time_us: int | None) -> bytes:
    """A message of the `json` format: `value`, and `time` in milliseconds since 1970."""
    message = {"value": value} if time_us is None else {"value": value, "time": time_us // 1000}
    return json.dumps(message).encode()


def senml_pack(records: Sequence[tuple[str, int, float, str]]) -> bytes:
    """An RFC 8428 pack of (name, time in us, value, unit); times count from the first one's whole second."""
    base_s = records[0][1] // 1_000_000
    out: list[dict[str, object]] = []
    for name, time_us, value, unit in records:
        record: dict[str, object] = {"n": name, "v": value}
        if unit:
            record["u"] = unit
        after_us = time_us - base_s * 1_000_000
        if after_us:
            record["t"] = round(after_us / 1e6, 3)
        out.append(record)
    out[0]["bt"] = base_s
    return json.dumps(out).encode()
