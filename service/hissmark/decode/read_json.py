"""Messages with one JSON value each to columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol, cast

import msgspec
import numpy as np

from hissmark.decode.columns import RejectReason
from hissmark.decode.loose import PayloadError, parse
from hissmark.decode.message import Message
from hissmark.decode.pointer import MissingError, Pointer
from hissmark.decode.raw import Raw
from hissmark.decode.rejects import Turned
from hissmark.decode.source import MqttSource
from hissmark.decode.times import F64, column_us

Read = tuple[float, object]
"""A value and its time as decoded (int, float, str; None: the message has none)."""


class _Plain(Protocol):
    """An object whose members were found by their labels."""

    value: float
    time: object


class JsonReader:
    """Reads all messages of one `json` source of a call; the name has been found from the topic before."""

    def __init__(self, source: MqttSource) -> None:
        self._value = Pointer.parse(source.value_pointer)
        self._time = None if source.time_pointer is None else Pointer.parse(source.time_pointer)
        self._typed = _typed_decoder(self._value, self._time)

    def read(
        self, messages: Sequence[Message], at: Sequence[int], series: Sequence[int], turned: Turned
    ) -> Raw:
        """Decode the messages numbered `at`, whose names have the given index."""
        together = self._read_together([messages[i].payload for i in at])
        if together is not None:
            value, times = together
            return self._columns(messages, at, series, value, times)
        kept: list[int] = []
        reads: list[Read] = []
        for position, i in enumerate(at):
            try:
                reads.append(self.read_one(messages[i].payload))
                kept.append(position)
            except PayloadError as error:
                turned.add(i, error.reason, error.detail)
        value = np.array([read[0] for read in reads], np.float64)
        return self._columns(
            messages, [at[p] for p in kept], [series[p] for p in kept], value, [read[1] for read in reads]
        )

    def _columns(
        self,
        messages: Sequence[Message],
        at: Sequence[int],
        series: Sequence[int],
        value: F64,
        times: Sequence[object],
    ) -> Raw:
        received_us = np.array([messages[i].received_us for i in at], np.int64)
        time_us, missing = column_us(times, received_us)
        return Raw(np.array(at, np.int64), np.array(series, np.int64), time_us, value, missing)

    def _read_together(self, payloads: Sequence[bytes]) -> tuple[F64, list[object]] | None:
        """All payloads joined into one JSON array; None unless each is a plain object of the expected types.

        Joining cannot change where a message begins or ends: each payload holds exactly one `{`, as its first
        byte, and the decoder must find as many objects as there are payloads.
        """
        if self._typed is None or any(p[:1] != b"{" or p.count(b"{") != 1 for p in payloads):
            return None
        try:
            found = self._typed.decode(b"[" + b",".join(payloads) + b"]")
        except (ValueError, RecursionError):
            return None
        if len(found) != len(payloads):
            return None
        return np.array([item.value for item in found], np.float64), [item.time for item in found]

    def read_one(self, payload: bytes) -> Read:
        """Value and time of one payload. Raises PayloadError."""
        document = parse(payload)
        try:
            value = self._value.find(document)
        except MissingError:
            raise PayloadError(RejectReason.MISSING_VALUE, f"nothing at {self._value}") from None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise PayloadError(RejectReason.WRONG_TYPE, f"value is {_kind(value)}; a number is needed")
        try:
            return float(value), self._time_of(document)
        except OverflowError:
            raise PayloadError(RejectReason.NOT_FINITE, "value is too large for a number") from None

    def _time_of(self, document: object) -> object:
        if self._time is None:
            return None
        try:
            return self._time.find(document)
        except MissingError:
            return None


def _kind(value: object) -> str:
    if value is None:
        return "null"
    kinds: dict[type, str] = {bool: "true or false", str: "text", list: "an array", dict: "an object"}
    return kinds.get(type(value), "no number")


def _typed_decoder(value: Pointer, time: Pointer | None) -> msgspec.json.Decoder[list[_Plain]] | None:
    """Decoder for objects that hold value and time as members of their own; None for other pointers."""
    if len(value.tokens) != 1 or (time is not None and (len(time.tokens) != 1 or time == value)):
        return None
    labels = {"value": value.tokens[0]}
    if time is None:
        kind = msgspec.defstruct(
            "Plain", [("value", float)], rename=labels, namespace={"time": None}, gc=False
        )
    else:
        labels["time"] = time.tokens[0]
        fields: list[tuple[str, Any] | tuple[str, Any, Any]] = [
            ("value", float),
            ("time", int | float | str | None, None),
        ]
        kind = msgspec.defstruct("Plain", fields, rename=labels, gc=False)
    return cast("msgspec.json.Decoder[list[_Plain]]", msgspec.json.Decoder(list[kind]))  # type: ignore[valid-type]
