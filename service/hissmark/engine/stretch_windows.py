"""The windows of many ticks of one group, read from the slots that they share.

A window of the next tick is that of the tick before, moved on by a few slots. So nothing is copied tick by
tick: each channel's slots are kept once, one behind the other, and a window is a stretch of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.signal.percentiles import FLOOR_PERCENT, SortedRows, row_level, sort_rows
from hissmark.signal.slots import Slots
from hissmark.signal.windows import LOWER_QUARTILE, SlotRing, WindowLevels

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Ints = npt.NDArray[np.intp]

LEVELS = ("low", "middle", "high")


class Places(NamedTuple):
    """Where windows lie among the slots: their first, the first of the newer half, the one behind; int64."""

    begin: I64
    middle: I64
    end: I64


class SlidingWindows(SlotRing):
    """The windows of `ticks` copies of a group, each as its own tick sees it. Stands in for a `SlotRing`.

    Attributes:
        later_us: int64[ticks], how much later than the first each tick is.
        first: intp[channels + 1], where each channel's slots begin in the arrays, here of one dimension.
        held: int64[ticks, channels], the oldest slot that the ring would still hold at each tick.
    """

    def __init__(self, channels: int, size: int, later_us: I64) -> None:
        super().__init__(0, size)
        self.channels, self.later_us = channels, later_us
        self.first: Ints = np.zeros(channels + 1, np.intp)
        self.held: I64 = np.zeros((len(later_us), channels), np.int64)
        self._single, self._gaps = True, False
        self._measured: tuple[int, I64, WindowLevels] | None = None

    def push(self, slots: Slots) -> None:
        """Everything is known from the beginning on; see `fill`."""

    def fill(self, ring: SlotRing, slots: Slots, tick: I64, of: Ints) -> None:
        """Lay out what a ring of the group holds and the slots of all ticks behind it.

        Args:
            tick, of: int[slots], the tick and the channel of each slot; each channel's ticks ascending.
        """
        if (of[1:] < of[:-1]).any():
            order = np.argsort(of, kind="stable")
            slots, tick, of = slots.of(order), tick[order], of[order]
        bounds = np.searchsorted(of, np.arange(self.channels + 1)).tolist()
        ticks = np.arange(len(self.later_us))
        parts: list[list[npt.NDArray[np.generic]]] = [[], [], [], []]
        for c in range(self.channels):
            mine, before = slice(bounds[c], bounds[c + 1]), np.argsort(ring.time_us[c], kind="stable")
            for part, name in zip(parts, ("time_us", *LEVELS), strict=True):
                part += [getattr(ring, name)[c][before], getattr(slots, name)[mine]]
            self.first[c + 1] = self.first[c] + len(before) + bounds[c + 1] - bounds[c]
            self.held[:, c] = self.first[c] + np.searchsorted(tick[mine], ticks, side="right")
        self._measured = None
        self.time_us = np.concatenate(parts[0])
        rest = np.full(self.size, np.nan, np.float32)
        self.low, self.middle, self.high = (np.concatenate([*part, rest]) for part in parts[1:])
        heard = self.time_us > 0
        low, middle, high = (array[: len(heard)][heard] for array in (self.low, self.middle, self.high))
        self._single = bool(((low == middle) & (low == high)).all())
        self._gaps = any(bool(np.isnan(array).any()) for array in (low, middle, high))

    def take_over(self, ring: SlotRing, tick: int) -> None:
        """Make a ring of the group what it is after a tick."""
        rows = self.held[tick][:, None] + np.arange(self.size)
        for name in ("time_us", *LEVELS):
            getattr(ring, name)[...] = getattr(self, name)[rows]
        ring.head[...] = 0

    def held_by(self, channels: Ints) -> tuple[I64, F32]:
        """As `SlotRing.held_by`; times as the tick of each copy sees them."""
        tick, c = channels // self.channels, channels % self.channels
        rows = self.held[tick, c][..., None] + np.arange(self.size)
        time_us = self.time_us[rows]
        return time_us - np.where(time_us > 0, self.later_us[tick][..., None], 0), self.low[rows]

    def measure(self, rows: Ints | slice, at_us: int, length_us: I64) -> WindowLevels:
        """As `SlotRing.measure`; `rows` are all channels of the copies of some ticks, in order.

        What all of them say is kept: learning asks for it first, judging once more.
        """
        if not isinstance(rows, slice):
            return self._measure_at(rows, at_us, length_us)
        if self._measured is None or not self._is_of(at_us, length_us):
            self._measured = at_us, length_us, self._measure_at(rows, at_us, length_us)
        return self._measured[2]

    def floors(self, rows: Ints, at_us: int, length_us: I64) -> F32:
        """Only the lowest of what `measure` tells."""
        places = self._places(self._ticks(rows), at_us, length_us.reshape(-1, self.channels))
        return row_level(self._sorted(self.low, places.begin, places.end), FLOOR_PERCENT).astype(np.float32)

    def _is_of(self, at_us: int, length_us: I64) -> bool:
        known = self._measured
        return known is not None and known[0] == at_us and np.array_equal(known[1], length_us)

    def _measure_at(self, rows: Ints | slice, at_us: int, length_us: I64) -> WindowLevels:
        places = self._places(self._ticks(rows), at_us, length_us.reshape(-1, self.channels))
        low = middle = high = self._sorted(self.low, places.begin, places.end)
        if not self._single:
            middle, high = (self._sorted(v, places.begin, places.end) for v in (self.middle, self.high))
        new = row_level(self._sorted(self.low, places.middle, places.end), LOWER_QUARTILE)
        old = row_level(self._sorted(self.low, places.begin, places.middle), LOWER_QUARTILE)
        return WindowLevels(
            row_level(low, FLOOR_PERCENT).astype(np.float32),
            row_level(middle, 50.0).astype(np.float32),
            row_level(high, 10.0).astype(np.float32),
            (new - old).astype(np.float32),
            new.astype(np.float32),
            low.counts,
        )

    def _ticks(self, rows: Ints | slice) -> Ints:
        """Numbers of the ticks whose channels `rows` are."""
        if isinstance(rows, slice):
            return np.arange(len(self.later_us))
        return np.asarray(rows[:: self.channels] // self.channels, np.intp)

    def _places(self, ticks: Ints, at_us: int, length_us: I64) -> Places:
        """Windows that end at `at_us`, seen from the copies of `ticks`; arrays [ticks x channels]."""
        now_us = at_us + self.later_us[ticks]
        begin, middle, end = (np.empty(length_us.shape, np.int64) for _ in range(3))
        for c in range(self.channels):
            first, time_us = int(self.first[c]), self.time_us[self.first[c] : self.first[c + 1]]
            held = self.held[ticks, c]
            known = first + int(np.searchsorted(time_us, 0, side="right"))
            end[:, c] = np.minimum(first + np.searchsorted(time_us, now_us, side="right"), held + self.size)
            since = first + np.searchsorted(time_us, now_us - length_us[:, c])
            begin[:, c] = np.minimum(np.maximum(np.maximum(since, known), held), end[:, c])
            half = first + np.searchsorted(time_us, now_us - length_us[:, c] // 2)
            middle[:, c] = np.clip(half, begin[:, c], end[:, c])
        return Places(begin.reshape(-1), middle.reshape(-1), end.reshape(-1))

    def _sorted(self, values: F32, begin: I64, end: I64) -> SortedRows:
        """What windows hold, sorted."""
        counts = end - begin
        widest = int(counts.max(initial=0))
        held = _from_each(values, max(widest, 1))[begin]
        if not widest or (counts < widest).any():
            return sort_rows(held, np.arange(max(widest, 1)) < counts[:, None])
        if self._gaps:
            return sort_rows(held)
        held.sort(axis=1)  # a copy, all of it levels: nothing has to be looked for and pushed aside
        return SortedRows(held, counts)


def _from_each(values: F32, width: int) -> F32:
    """`width` values from each place on, a view; `sliding_window_view` without what that costs each time."""
    return np.ndarray((len(values) - width + 1, width), values.dtype, values, 0, 2 * values.strides)
