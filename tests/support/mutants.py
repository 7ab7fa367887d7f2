"""Payloads of every format that are nearly right: good ones changed at random, the same for the same seed."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from typing import Any

from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource
from hissmark.decode.sparkplug_payload import Payload

NOW_US = 1_772_323_200_000_000
NAMES = {"AX-1": 0, "AX-2": 1, "ZT-1": 2, "north/gw/ae/level": 3, "north/gw/temp": 4}
LEVELS = ("AX-1", "AX-2", "north/gw/ae/level")
SOURCES = (
    MqttSource("senml/#"),
    MqttSource("json/+", format="json", name_template="{1}", unit="dB"),
    MqttSource("deep/+", format="json", name_template="{1}", value_pointer="/a/0/b", time_pointer="/a/1"),
    MqttSource("bare/+", format="json", name_template="{1}", value_pointer="", time_pointer=None),
    MqttSource("spBv1.0/#", format="sparkplug"),
)
HOST = "hissmark-tests"
KINDS = ("NBIRTH", "NBIRTH", "DBIRTH", "DDEATH", "NDEATH", "NCMD", "DCMD", *("NDATA", "DDATA") * 6)

TOKENS = (
    b"NaN", b"-Infinity", b"1e999", b"-0", b"1" * 400, b"1" * 5000, b"null", b"true", b'"', b"\\", b"\\ud800",
    b"\\u0000", b'"n_":1,', b'"bver":99,', b"[" * 2000, b"{", b"]", b"}", b",", b":", b"\x00", b"\xff\xfe",
    b"\xef\xbb\xbf", b"9223372036854775808", b"0.1e-400", b'"2026-02-30T25:61:00Z"',
    b'"2026-03-01T00:00:60Z"', b"1970", b"\xf0\x9f",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1e308, -1e308, 5e-324, 10**30, 10**400, 2**63, "", "x", "NaN", [], {}, [[]],
    {"v": 1}, "2026-03-01T00:00:00Z", 1_772_323_200, 1_772_323_200_000, 1_772_323_200.123456, -5, 1 << 28,
    (1 << 28) - 1, "\ud800", "a" * 300, "AX-1", "AX-1\x00", "bar", "dB", "\u202e",
)  # fmt: skip
LABELS = (
    "n",
    "v",
    "t",
    "u",
    "bn",
    "bt",
    "bu",
    "bv",
    "bs",
    "bver",
    "vs",
    "vb",
    "vd",
    "s",
    "ut",
    "zz",
    "zz_",
    "a",
    "b",
)


class Mutants:
    """An endless source of messages. Two of the same seed say the same."""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)
        self._made = 0
        self._makers: tuple[Callable[[], tuple[str, bytes]], ...] = (
            self._senml, self._json, self._deep, self._bare, self._sparkplug, self._sparkplug,
        )  # fmt: skip

    def __iter__(self) -> Iterator[Message]:
        while True:
            yield self.one()

    def one(self) -> Message:
        """The next; each is received a microsecond after the one before, which tells them apart."""
        rng = self._rng
        topic, payload = rng.choice(self._makers)()
        if rng.random() < 0.45:
            payload = self._bytes_changed(payload)
        if rng.random() < 0.02:  # on the topic of another format
            topic = rng.choice(self._makers)()[0]
        self._made += 1
        size = len(payload) + 2_000_000 if rng.random() < 0.002 else 0
        return Message(topic, payload, NOW_US + self._made, rng.random() < 0.05, 0, size)

    def stream(self) -> bytes:
        """MQTT packets as they come from a broker, some of them changed."""
        rng = self._rng
        made = b"".join(self._packet() for _ in range(rng.randrange(1, 6)))
        return self._bytes_changed(made) if rng.random() < 0.7 else made

    def _packet(self) -> bytes:
        rng, message = self._rng, self.one()
        topic = message.topic.encode(errors="replace")
        head = bytes((0x30 | rng.choice((0, 2, 3, 4, 10)),))
        body = len(topic).to_bytes(2, "big") + topic + rng.randbytes(2) + b"\x00" + message.payload
        length, size = b"", len(body)
        while True:
            size, low = divmod(size, 128)
            length += bytes((low | (128 if size else 0),))
            if not size:
                return head + length + body

    # Bytes.

    def _bytes_changed(self, payload: bytes) -> bytes:
        rng = self._rng
        for _ in range(rng.choice((1, 1, 1, 1, 2, 4))):
            at = rng.randrange(len(payload) + 1)
            end = min(len(payload), at + rng.choice((1, 1, 2, 8, 64)))
            piece = payload[at:end]
            change = rng.randrange(7)
            if change == 0:
                piece = bytes(b ^ (1 << rng.randrange(8)) for b in piece)
            elif change == 1:
                piece = b""
            elif change == 2:
                piece = piece * rng.choice((2, 3, 50))
            elif change == 3:
                piece = rng.randbytes(len(piece))
            elif change == 4:
                piece = rng.choice(TOKENS) + piece
            elif change == 5:
                piece = rng.choice(TOKENS)
            else:
                payload, piece, end = payload[:at], b"", at
            payload = payload[:at] + piece + payload[end:]
        return payload

    # JSON.

    def _value(self) -> Any:
        rng = self._rng
        if rng.random() < 0.8:
            return rng.choice((21.5, 40, -3.25, rng.uniform(-60, 120)))
        return rng.choice(VALUES)

    def _time(self) -> Any:
        rng = self._rng
        if rng.random() < 0.2:
            return rng.choice(VALUES)
        return NOW_US / 1e6 + rng.uniform(-1e5, 1e4)

    def _senml(self) -> tuple[str, bytes]:
        rng = self._rng
        pack: list[Any] = []
        for _ in range(rng.choice((0, 1, 1, 2, 5, 20))):
            record: dict[str, Any] = {"n": rng.choice((*NAMES, "new")), "v": self._value()}
            if rng.random() < 0.5:
                record["t"] = self._time()
            for label in rng.sample(LABELS, rng.choice((0, 0, 0, 0, 1, 2))):
                record[label] = rng.choice(VALUES)
            if rng.random() < 0.1:
                record.pop(rng.choice(list(record)))
            pack.append(record if rng.random() < 0.97 else rng.choice(VALUES))
        if pack and isinstance(pack[0], dict) and rng.random() < 0.8:
            pack[0] = pack[0] | {"bt": self._time(), "bu": "dB"}  # it may be one of VALUES
        return f"senml/{rng.choice('ab')}", json.dumps(pack).encode()

    def _json(self) -> tuple[str, bytes]:
        document: Any = {"value": self._value(), "time": self._time()}
        if self._rng.random() < 0.1:
            document[self._rng.choice(("value", "time", "more"))] = self._rng.choice(VALUES)
        return f"json/{self._name()}", json.dumps(document).encode()

    def _deep(self) -> tuple[str, bytes]:
        return f"deep/{self._name()}", json.dumps({"a": [{"b": self._value()}, self._time()]}).encode()

    def _bare(self) -> tuple[str, bytes]:
        return f"bare/{self._name()}", json.dumps(self._value()).encode()

    def _name(self) -> str:
        if self._rng.random() < 0.9:
            return self._rng.choice(("AX-1", "AX-2", "ZT-1", "new"))
        return self._rng.choice(("", "\x00", "x" * 300, "\u202e", "\ufffd", "a/b"))

    # Sparkplug.

    def _sparkplug(self) -> tuple[str, bytes]:
        rng = self._rng
        kind, group = rng.choice(KINDS), rng.choice(("north", "north", "south"))
        device = "/ae" if kind.startswith("D") else ""
        topic = f"spBv1.0/{group}/{kind}/gw{device}"
        if rng.random() < 0.05:
            topic = rng.choice(
                (f"spBv1.0/STATE/{HOST}", "spBv1.0/", "spBv1.0/north/NDATA", "spBv1.0//NDATA/gw")
            )
        payload = Payload(timestamp=self._ms())
        if rng.random() < 0.9:
            payload.seq = rng.choice((0, 1, 2, 3, 255, 256, 2**64 - 1))
        if kind in ("NBIRTH", "NDEATH"):
            payload.metrics.add(name="bdSeq", datatype=8, long_value=rng.randrange(3))
        for _ in range(rng.choice((0, 1, 1, 3))):
            self._metric(payload, kind)
        return topic, payload.SerializeToString()

    def _ms(self) -> int:
        rng = self._rng
        return rng.choice((NOW_US // 1000 - rng.randrange(10**7), NOW_US // 1000, 0, 2**63, 2**64 - 1))

    def _metric(self, payload: Any, kind: str) -> None:
        rng = self._rng
        metric = payload.metrics.add(
            datatype=rng.choice((0, 1, 3, 4, 8, 9, 10, 10, 10, 10, 11, 12, 19, 2**32 - 1))
        )
        if kind.endswith("BIRTH") or rng.random() < 0.6:
            metric.name = rng.choice(
                ("level", "level", "level", "temp", "temp", "Node Control/Rebirth", "", "\x00", "l" * 300)
            )
        if rng.random() < 0.6:
            metric.alias = rng.choice((1, 2, 2**64 - 1))
        if rng.random() < 0.7:
            metric.timestamp = self._ms()
        field, value = rng.choice((
            ("double_value", 41.5), ("double_value", 38.0), ("double_value", float("nan")),
            ("float_value", float("inf")), ("int_value", 2**32 - 1),
            ("long_value", 2**64 - 1), ("boolean_value", True), ("string_value", "loud"), ("is_null", True),
            ("is_transient", True), ("double_value", 1e308),
        ))  # fmt: skip
        setattr(metric, field, value)
        if rng.random() < 0.2:
            metric.properties.keys.append("Quality")
            metric.properties.values.add(type=3, int_value=rng.choice((192, 0, 500)))
