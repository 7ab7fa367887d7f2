"""The window of each channel: its last slot levels, and what they say when a tick closes.

One ring of slots per channel, the same size for all. A dense channel's window is `window_s` long; a sparse
one's reaches back over its last few samples, so an hourly radio sensor is judged over hours, and says so.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.signal.percentiles import SortedRows, row_level, sort_rows, sort_usable
from hissmark.signal.slots import Slots

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LOWER_QUARTILE = 75.0
"""Exceedance percentage of the quartile compared between the halves of a window: knocks do not reach it."""
BLOCK = 1024
"""Rows measured at once: 64 slots of 8 bytes each make half a megabyte an array."""


class WindowLevels(NamedTuple):
    """What the windows say, float32[rows], dB; NaN where a window holds nothing.

    Attributes:
        low, middle, high: L90, L50, L10 of the window.
        drift: lower quartile of the newer half minus that of the older; NaN where a half is empty.
        newest: lower quartile of the newer half: a level that is quicker and rougher than the floor.
        slots: how many slots the window holds.
    """

    low: F32
    middle: F32
    high: F32
    drift: F32
    newest: F32
    slots: npt.NDArray[np.int64]

    def of(self, rows: npt.NDArray[np.intp]) -> WindowLevels:
        """The same of some rows."""
        low, middle, high, drift, newest, slots = self
        return WindowLevels(low[rows], middle[rows], high[rows], drift[rows], newest[rows], slots[rows])


class SlotRing:
    """Ring of the last slots of every channel.

    Attributes:
        time_us: int64[channels, size], 0 where empty. low, middle, high: float32, same shape.
        head: int32[channels], where the next slot goes.
    """

    STATE = ("time_us", "low", "middle", "high", "head")

    def __init__(self, channels: int, size: int) -> None:
        self.time_us: I64 = np.zeros((channels, size), np.int64)
        self.low: F32 = np.full((channels, size), np.nan, np.float32)
        self.middle: F32 = self.low.copy()
        self.high: F32 = self.low.copy()
        self.head: npt.NDArray[np.int32] = np.zeros(channels, np.int32)
        self.size = size

    def push(self, slots: Slots) -> None:
        """Append slots (sorted by channel and time); the oldest fall out."""
        channel = slots.channel
        if not len(channel):
            return
        first = np.concatenate(([True], channel[1:] != channel[:-1]))
        starts = np.flatnonzero(first)
        counts = np.diff(np.concatenate((starts, [len(channel)])))
        rank = np.arange(len(channel)) - np.repeat(starts, counts)
        place = (self.head[channel] + rank) % self.size
        keep: npt.NDArray[np.bool_] | slice = slice(None)
        if counts.max() > self.size:
            keep = rank >= np.repeat(counts, counts) - self.size
        row, column = channel[keep], place[keep]
        self.time_us[row, column] = slots.time_us[keep]
        self.low[row, column] = slots.low[keep]
        self.middle[row, column] = slots.middle[keep]
        self.high[row, column] = slots.high[keep]
        self.head[channel[starts]] = (self.head[channel[starts]] + counts) % self.size

    def measure(self, rows: npt.NDArray[np.intp] | slice, at_us: int, length_us: I64) -> WindowLevels:
        """Levels of the windows of `rows` that end at `at_us` and are `length_us` (int64[rows]) long.

        A block of rows at a time: what is worked out in between then stays in the processor's cache. `rows`:
        numbers, or the slice of all.
        """
        count = len(length_us)
        if count <= BLOCK:
            return self._measure(rows, at_us, length_us)
        parts = []
        for start in range(0, count, BLOCK):
            block = slice(start, min(start + BLOCK, count))
            mine = block if isinstance(rows, slice) else rows[block]
            parts.append(self._measure(mine, at_us, length_us[block]))
        return WindowLevels(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def held_by(self, channels: npt.NDArray[np.intp]) -> tuple[I64, F32]:
        """Times and lowest levels of the slots that `channels` (of any shape) hold, one axis more, in any
        order."""
        return self.time_us[channels], self.low[channels]

    def _measure(self, rows: npt.NDArray[np.intp] | slice, at_us: int, length_us: I64) -> WindowLevels:
        time_us, low = self.time_us[rows], self.low[rows]
        within = time_us >= np.maximum(at_us - length_us, 1)[:, None]  # 0 marks an empty place
        within &= time_us <= at_us
        newer = time_us >= (at_us - length_us // 2)[:, None]
        usable = within & ~np.isnan(low)
        sorted_low = sort_usable(low, usable)
        middle, high = self._others(rows, low, within, sorted_low)
        new = row_level(sort_usable(low, usable & newer), LOWER_QUARTILE)
        old = row_level(sort_usable(low, usable & ~newer), LOWER_QUARTILE)
        return WindowLevels(
            _f32(row_level(sorted_low, 90.0)), middle, high, _f32(new - old), _f32(new), sorted_low.counts
        )

    def _others(
        self, rows: npt.NDArray[np.intp] | slice, low: F32, within: Bools, sorted_low: SortedRows
    ) -> tuple[F32, F32]:
        """Middle and top; one sort serves all three where every slot is a single level."""
        middle, high = self.middle[rows], self.high[rows]
        same = bool((~within | ((middle == low) & (high == low))).all())
        by_middle = sorted_low if same else sort_rows(middle, within)
        by_high = sorted_low if same else sort_rows(high, within)
        return _f32(row_level(by_middle, 50.0)), _f32(row_level(by_high, 10.0))


def _f32(values: npt.NDArray[np.floating]) -> F32:
    return np.asarray(values, np.float32)
