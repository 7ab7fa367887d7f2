"""The window of each channel: its last slot levels, and what they say when a tick closes.

One ring of slots per channel, the same size for all. A dense channel's window is `window_s` long; a sparse
one's reaches back over its last few samples, so an hourly radio sensor is judged over hours, and says so.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.signal.percentiles import row_level, sort_rows
from hissmark.signal.slots import Slots

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

US = 1_000_000
LOWER_QUARTILE = 75.0
"""Exceedance percentage of the quartile compared between the halves of a window: knocks do not reach it."""


class WindowLevels(NamedTuple):
    """What the windows say, float32[rows], dB; NaN where a window holds nothing.

    Attributes:
        low, middle, high: L90, L50, L10 of the window.
        drift: lower quartile of the newer half minus that of the older; NaN where a half is empty.
        newest: lower quartile of the newer half: a level that is quicker and rougher than the floor.
        slots: how many slots the window holds. span_s: time from the first to the last of them.
    """

    low: F32
    middle: F32
    high: F32
    drift: F32
    newest: F32
    slots: npt.NDArray[np.int64]
    span_s: F32


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
        keep = rank >= np.repeat(counts, counts) - self.size
        place = (self.head[channel] + rank) % self.size
        row, column = channel[keep], place[keep]
        self.time_us[row, column] = slots.time_us[keep]
        self.low[row, column] = slots.low[keep]
        self.middle[row, column] = slots.middle[keep]
        self.high[row, column] = slots.high[keep]
        self.head[channel[starts]] = (self.head[channel[starts]] + counts) % self.size

    def measure(self, rows: npt.NDArray[np.intp] | slice, at_us: int, length_us: I64) -> WindowLevels:
        """Levels of the windows of `rows` that end at `at_us` and are `length_us` (int64[rows]) long."""
        time_us = self.time_us[rows]
        age = at_us - time_us
        valid = (time_us > 0) & (age <= length_us[:, None]) & (age >= 0)
        low = self.low[rows]
        sorted_low = sort_rows(low, valid)
        middle, high = self._others(rows, low, valid, sorted_low)
        newer = age <= (length_us // 2)[:, None]
        new = row_level(sort_rows(low, valid & newer), LOWER_QUARTILE)
        old = row_level(sort_rows(low, valid & ~newer), LOWER_QUARTILE)
        oldest = np.where(valid, time_us, np.iinfo(np.int64).max).min(axis=1)
        newest = np.where(valid, time_us, 0).max(axis=1)
        span = np.where(sorted_low.counts > 0, (newest - oldest) / US, 0.0)
        return WindowLevels(
            _f32(row_level(sorted_low, 90.0)),
            middle,
            high,
            _f32(new - old),
            _f32(new),
            sorted_low.counts,
            _f32(span),
        )

    def _others(
        self, rows: npt.NDArray[np.intp] | slice, low: F32, valid: Bools, sorted_low: object
    ) -> tuple[F32, F32]:
        """Middle and top; one sort serves all three where every slot is a single level."""
        middle, high = self.middle[rows], self.high[rows]
        same = bool((~valid | ((middle == low) & (high == low))).all())
        by_middle = sorted_low if same else sort_rows(middle, valid)
        by_high = sorted_low if same else sort_rows(high, valid)
        return _f32(row_level(by_middle, 50.0)), _f32(row_level(by_high, 10.0))  # type: ignore[arg-type]


def _f32(values: npt.NDArray[np.floating]) -> F32:
    return np.asarray(values, np.float32)
