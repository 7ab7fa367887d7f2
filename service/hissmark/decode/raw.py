"""Columns on their way: read from payloads, not yet checked for plausibility."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from hissmark.decode.times import F64, I64, Bools


@dataclass(frozen=True, slots=True)
class Raw:
    """Samples as they were read.

    Attributes:
        message: int64[n], number of the message within the call.
        series: int64[n], index of a known name, or -1-k for the k-th unknown name of the call.
        time_us: int64[n]. value: float64[n].
        receipt: bool[n], the time is that of receipt or relative to it.
    """

    message: I64
    series: I64
    time_us: I64
    value: F64
    receipt: Bools

    def __len__(self) -> int:
        return len(self.series)

    @classmethod
    def joined(cls, parts: Iterable[Raw]) -> Raw:
        """Several parts as one, in order of arrival."""
        some = [part for part in parts if len(part)]
        if len(some) == 1:
            return some[0]
        if not some:
            none = np.empty(0, np.int64)
            return cls(none, none, none, np.empty(0, np.float64), np.empty(0, np.bool_))
        order = np.argsort(np.concatenate([part.message for part in some]), kind="stable")
        return cls(
            np.concatenate([part.message for part in some])[order],
            np.concatenate([part.series for part in some])[order],
            np.concatenate([part.time_us for part in some])[order],
            np.concatenate([part.value for part in some])[order],
            np.concatenate([part.receipt for part in some])[order],
        )

    def where(self, keep: Bools) -> Raw:
        """The rows marked in `keep`."""
        return Raw(
            self.message[keep], self.series[keep], self.time_us[keep], self.value[keep], self.receipt[keep]
        )


class Names:
    """Known names and their index; gives unknown names of one call a negative index."""

    def __init__(self, known: dict[str, int]) -> None:
        self.known = known
        self.unknown: dict[str, int] = {}

    def series(self, name: str) -> int:
        """Index of a known name (0 and up), or -1-k for the k-th unknown one."""
        index = self.known.get(name)
        if index is None:
            index = -1 - self.unknown.setdefault(name, len(self.unknown))
        return index

    def column(self, names: Sequence[str]) -> I64:
        """int64[n] of `series`."""
        try:
            return np.array([self.known[name] for name in names], np.int64)
        except KeyError:
            return np.array([self.series(name) for name in names], np.int64)
