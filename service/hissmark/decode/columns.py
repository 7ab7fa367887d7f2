"""What decoding yields: columns of samples, and a record of everything that was turned away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import IntFlag, StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

HEAD_BYTES = 64
"""How much of a rejected payload is kept."""


class Flag(IntFlag):
    """Marks on a stored sample. Any of `NOT_JUDGED` keeps it out of the judgement; it is stored even so."""

    LATE = 1
    """Older than the last closed tick of its group."""
    AHEAD = 2
    """Its time was ahead of the service's clock by more than is believed."""
    RECEIPT_TIME = 4
    """The message carried no time; the time of receipt stands for it."""
    RETAINED = 8
    """The broker sent it again on subscribing."""


NOT_JUDGED = Flag.LATE | Flag.AHEAD | Flag.RETAINED


class RejectReason(StrEnum):
    """Why a record was turned away."""

    NOT_JSON = "not-json"
    NOT_PROTOBUF = "not-protobuf"
    WRONG_TYPE = "wrong-type"
    NOT_FINITE = "not-finite"
    OUT_OF_RANGE = "out-of-range"
    BAD_TIME = "bad-time"
    TOO_LARGE = "too-large"
    TOO_DEEP = "too-deep"
    TOO_MANY_RECORDS = "too-many-records"
    EMPTY = "empty"
    MISSING_VALUE = "missing-value"
    UNKNOWN_NAME = "unknown-name"
    BAD_NAME = "bad-name"
    BAD_UNIT = "bad-unit"
    BAD_QUALITY = "bad-quality"
    NOT_BORN = "not-born"
    BAD_TOPIC = "bad-topic"
    UNSUPPORTED_VERSION = "unsupported-version"
    UNKNOWN_MUST_UNDERSTAND = "unknown-must-understand"
    RETAINED_WITHOUT_TIME = "retained-without-time"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Batch:
    """Samples in order of arrival.

    Attributes:
        series: int32[n], index into the known names (`Layout.names`).
        time_us: int64[n], microseconds since 1970 UTC.
        value: float64[n], dB for levels, the tag's own unit for process values.
        flags: uint8[n], see `Flag`.
    """

    series: npt.NDArray[np.int32]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.series)

    @property
    def columns(self) -> tuple[npt.NDArray[Any], ...]:
        """All of them, in the order of the fields."""
        return self.series, self.time_us, self.value, self.flags

    @classmethod
    def joined(cls, parts: Sequence[Batch]) -> Batch:
        """Batches one behind the other; at least one."""
        return cls(*(np.concatenate(column) for column in zip(*(p.columns for p in parts), strict=True)))

    @classmethod
    def empty(cls) -> Batch:
        return cls(
            np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0, np.float64), np.empty(0, np.uint8)
        )


@dataclass(frozen=True, slots=True)
class Reject:
    """What was turned away from one message for one reason, with enough to find its sender.

    Attributes:
        topic: where it arrived.
        received_us: time of receipt, microseconds since 1970 UTC.
        reason, detail: why; the detail is that of the first record concerned.
        head: the first bytes of the payload (at most `HEAD_BYTES`).
        count: how many records of the message were turned away for this reason.
    """

    topic: str
    received_us: int
    reason: RejectReason
    detail: str
    head: bytes
    count: int = 1


@dataclass(frozen=True, slots=True)
class UnknownName:
    """A name that arrives but is not in the register."""

    name: str
    topic: str
    first_seen_us: int
    last_seen_us: int
    count: int
    last_value: float

    def until(self, later: UnknownName) -> UnknownName:
        """What is known when it has arrived again."""
        count = self.count + later.count
        return replace(later, topic=self.topic, first_seen_us=self.first_seen_us, count=count)


@dataclass(frozen=True, slots=True)
class Decoded:
    """The outcome of decoding some messages."""

    batch: Batch
    rejects: list[Reject] = field(default_factory=list)
    unknown: dict[str, UnknownName] = field(default_factory=dict)

    def __add__(self, later: Decoded) -> Decoded:
        """Both, this one first."""
        unknown = dict(self.unknown)
        for name, row in later.unknown.items():
            before = unknown.get(name)
            unknown[name] = row if before is None else before.until(row)
        return Decoded(Batch.joined((self.batch, later.batch)), self.rejects + later.rejects, unknown)
