"""An hour of a group's ticks: columns over ticks and channels. `block_bytes` tells how they are kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.readings import F32, U8

HOUR_US = 3600 * 1_000_000
UNKNOWN_CODE = 255
"""Stands in code columns where a channel has no value at a tick."""

LEVELS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "difference_bar")
CODES = ("verdict", "reason", "open_")
MORE: dict[str, npt.DTypeLike] = {
    "scale_db": "<f4", "health": "u1", "baseline_state": "u1", "steady": "u1", "age_s": "<u2", "role": "u1",
}  # fmt: skip
"""Columns that the first version did not have."""
OF_GROUP: dict[str, npt.DTypeLike] = {
    "margin_db": "<f4", "odds": "<f4", "explanation": "u1", "next_explanation": "u1",
}  # fmt: skip
"""Columns with one value a tick."""
SOURCE, SECOND, NEXT_SOURCE = 1, 2, 4
"""Bits of `role`."""
TYPES: dict[str, npt.DTypeLike] = {
    **dict.fromkeys(LEVELS, "<f4"), **dict.fromkeys(CODES, "u1"), **MORE,
}  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class Block:
    """Ticks of one group. Arrays but `time_us` are [ticks, channels]; NaN or the highest code where unknown.

    Attributes:
        channels: names of the channels, in pipe order.
        time_us: int64[ticks], ascending, no time twice.
        level_db, l50_db, l10_db, baseline_db, rise_db, expected_db, difference_bar: float32, as in `Tick`.
        verdict, reason, open_: uint8, as in `Tick`.
        more: the columns of `MORE`, as in `Tick`; `age_s` (uint16) is how old the newest sample was, `role`
            holds the bits `SOURCE`, `SECOND`, `NEXT_SOURCE`. What is left out is filled in as unknown.
        of_group: the columns of `OF_GROUP`, [ticks], likewise.
    """

    channels: tuple[str, ...]
    time_us: npt.NDArray[np.int64]
    level_db: F32
    l50_db: F32
    l10_db: F32
    baseline_db: F32
    rise_db: F32
    expected_db: F32
    difference_bar: F32
    verdict: U8
    reason: U8
    open_: U8
    more: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)
    of_group: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ticks, channels = len(self.time_us), len(self.channels)
        for name, kinds, shape in (("more", MORE, (ticks, channels)), ("of_group", OF_GROUP, (ticks,))):
            given = getattr(self, name)
            filled = {n: given[n] if n in given else unknown(t, shape) for n, t in kinds.items()}
            object.__setattr__(self, name, filled)

    @classmethod
    def of(
        cls,
        channels: tuple[str, ...],
        time_us: npt.NDArray[np.int64],
        columns: Mapping[str, npt.NDArray[Any]],
        of_group: Mapping[str, npt.NDArray[Any]],
    ) -> Block:
        """A block out of columns by name, those of `MORE` among them or not."""
        known = {name: columns[name] for name in LEVELS + CODES}
        return cls(
            channels, time_us, **known, more={n: columns[n] for n in MORE if n in columns}, of_group=of_group
        )

    def __len__(self) -> int:
        return len(self.time_us)

    def column(self, name: str) -> npt.NDArray[Any]:
        """A column by name: one of `LEVELS`, `CODES`, `MORE` or `OF_GROUP`."""
        if name in OF_GROUP:
            return self.of_group[name]
        found: npt.NDArray[Any] = self.more[name] if name in MORE else getattr(self, name)
        return found

    def rows(self, which: slice | npt.NDArray[np.bool_]) -> Block:
        """Some of the ticks."""
        return Block.of(
            self.channels, self.time_us[which], {name: self.column(name)[which] for name in TYPES},
            {name: column[which] for name, column in self.of_group.items()},
        )  # fmt: skip


def by_hour(block: Block) -> Iterator[tuple[int, Block]]:
    """The block cut at full hours: (start of the hour, its ticks)."""
    hours = block.time_us // HOUR_US
    cuts = [0, *(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(block)]
    for begin, end in pairwise(cuts):
        if end > begin:
            yield int(hours[begin]) * HOUR_US, block.rows(slice(begin, end))


def merge(first: Block, second: Block) -> Block:
    """Both together by time. Where both have a channel at a tick, `first` stands."""
    channels = tuple(dict.fromkeys(first.channels + second.channels))
    column_of = {name: i for i, name in enumerate(channels)}
    time_us = np.union1d(first.time_us, second.time_us)
    merged = {name: unknown(kind, (len(time_us), len(channels))) for name, kind in TYPES.items()}
    of_group = {name: unknown(kind, (len(time_us),)) for name, kind in OF_GROUP.items()}
    for part in (second, first):
        rows = np.searchsorted(time_us, part.time_us)
        columns = np.array([column_of[c] for c in part.channels], np.int64)
        places = rows if part.channels == channels else np.ix_(rows, columns)
        for name, into in merged.items():
            into[places] = part.column(name)
        for name, into in of_group.items():
            into[rows] = part.column(name)
    return Block.of(channels, time_us, merged, of_group)


def unknown(kind: npt.DTypeLike, shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """A column of which nothing is known: NaN, or the highest value of its type."""
    dtype = np.dtype(kind)
    return np.full(shape, np.nan if dtype.kind == "f" else np.iinfo(dtype).max, dtype)
