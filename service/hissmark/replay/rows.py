"""What reading a file of samples yields: columns of good rows, and an account of the bad ones."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import RejectReason

I64 = npt.NDArray[np.int64]

MAX_BAD_ROWS = 100
MAX_UNKNOWN_NAMES = 10_000


class ReplayError(Exception):
    """The input cannot be used; the message says what and where."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Good samples in file order: int32 series (index into the known names), int64 time_us, float64 value."""

    series: npt.NDArray[np.int32]
    time_us: I64
    value: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.series)

    def take(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.intp] | slice) -> Rows:
        """The rows that a mask, an index array or a slice picks."""
        return Rows(self.series[which], self.time_us[which], self.value[which])

    @classmethod
    def empty(cls) -> Rows:
        return cls(np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0, np.float64))

    @classmethod
    def joined(cls, parts: list[Rows]) -> Rows:
        """One after the other."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.empty()
        return cls(
            np.concatenate([p.series for p in parts]),
            np.concatenate([p.time_us for p in parts]),
            np.concatenate([p.value for p in parts]),
        )


@dataclass(frozen=True, slots=True)
class BadRow:
    """One row that was left out. `row` counts data rows from 1 (in CSV, the header is not one)."""

    file: Path
    row: int
    reason: RejectReason
    detail: str

    def __str__(self) -> str:
        return f"{self.file.name}, row {self.row}: {self.reason}: {self.detail}"


@dataclass
class Tally:
    """What was read and what was left out. Bounded: examples and names stop at a limit, counts go on."""

    rows: int = 0
    good: int = 0
    outside: int = 0
    reasons: Counter[RejectReason] = field(default_factory=Counter)
    bad_rows: list[BadRow] = field(default_factory=list)
    unknown: Counter[str] = field(default_factory=Counter)
    unknown_not_listed: int = 0

    def add_bad(self, row: BadRow) -> None:
        """Keep an example while there is room; the counting is done in `count_bad`."""
        if len(self.bad_rows) < MAX_BAD_ROWS:
            self.bad_rows.append(row)

    def count_bad(self, reason: RejectReason, rows: int) -> None:
        if rows:
            self.reasons[reason] += rows

    def add_unknown(self, name: str, rows: int) -> None:
        """Count rows of a name that is not in the register."""
        if name in self.unknown or len(self.unknown) < MAX_UNKNOWN_NAMES:
            self.unknown[name] += rows
        else:
            self.unknown_not_listed += rows

    @property
    def bad(self) -> int:
        return sum(self.reasons.values())
