"""Samples condensed to slot levels, so that a window has the same size whatever the sampling rate.

A channel that delivers ten samples a second and one that delivers one in ten seconds both end up with one
slot level per slot: its floor, middle and top. A single sample stands for its whole slot, and percentiles
that a sensor reports itself replace those computed here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
I32 = npt.NDArray[np.int32]
I64 = npt.NDArray[np.int64]


class Slots(NamedTuple):
    """Slot levels sorted by channel and time.

    Attributes:
        channel: int32[n]. time_us: int64[n], time of the slot's last sample.
        low, middle, high: float32[n], L90, L50 and L10 within the slot, dB.
    """

    channel: I32
    time_us: I64
    low: F32
    middle: F32
    high: F32

    def of(self, rows: npt.NDArray[np.intp]) -> Slots:
        """Some of them."""
        return Slots(
            self.channel[rows], self.time_us[rows], self.low[rows], self.middle[rows], self.high[rows]
        )


def condense(channel: I32, role: I32, time_us: I64, value: npt.NDArray[np.float64], slot_us: int) -> Slots:
    """Condense samples (sorted by input and time) into slots.

    Args:
        channel: int32[n] channel of each sample.
        role: int32[n] 0 for a level, 1, 2, 3 for an L10, L50, L90 that the sensor reports itself.
        time_us, value: times and levels (dB).
        slot_us: slot length.
    """
    if not role.any():
        return _condense_levels(channel, time_us, value.astype(np.float32), slot_us)
    plain = role == 0
    level = _condense_levels(channel[plain], time_us[plain], value[plain].astype(np.float32), slot_us)
    own = [
        _condense_levels(channel[role == r], time_us[role == r], value[role == r].astype(np.float32), slot_us)
        for r in (3, 2, 1)
    ]
    return _overlay(level, own, slot_us)


def _condense_levels(channel: I32, time_us: I64, value: F32, slot_us: int) -> Slots:
    slot = time_us // slot_us
    if len(slot) == 0:
        return Slots(channel, time_us, value, value, value)
    first = np.concatenate(([True], (channel[1:] != channel[:-1]) | (slot[1:] != slot[:-1])))
    if first.all():
        return Slots(channel, time_us, value, value, value)
    starts = np.flatnonzero(first)
    counts = np.diff(np.concatenate((starts, [len(slot)])))
    order = np.lexsort((value, np.cumsum(first)))
    ranked = value[order]
    low, middle, high = (_quantile(ranked, starts, counts, q) for q in (0.1, 0.5, 0.9))
    return Slots(channel[starts], time_us[starts + counts - 1], low, middle, high)


def _quantile(ranked: F32, starts: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], q: float) -> F32:
    """Linear quantile within each run of sorted values."""
    place = (counts - 1) * q
    below = place.astype(np.int64)
    part = (place - below).astype(np.float32)
    a = ranked[starts + below]
    b = ranked[starts + np.minimum(below + 1, counts - 1)]
    return np.asarray(a + (b - a) * part, np.float32)


def _overlay(level: Slots, own: list[Slots], slot_us: int) -> Slots:
    """Join plain levels and self-reported percentiles (floor, middle, top) of the same slots."""
    parts = [level, *own]
    keys = np.concatenate(
        [np.stack((p.channel.astype(np.int64), p.time_us // slot_us)) for p in parts], axis=1
    )
    unique, where = np.unique(keys, axis=1, return_inverse=True)
    where = where.reshape(-1)
    n = unique.shape[1]
    last = np.full(n, np.iinfo(np.int64).min, np.int64)
    columns = np.full((4, n), np.nan, np.float32)
    at = 0
    for row, part in zip((0, 1, 2, 3), parts, strict=True):
        mine = where[at : at + len(part.channel)]
        at += len(part.channel)
        np.maximum.at(last, mine, part.time_us)
        columns[row, mine] = part.middle
        if row == 0:
            low, high = columns[0].copy(), columns[0].copy()
            low[mine], high[mine] = part.low, part.high
    # What the sensor reports itself wins; what it leaves out is taken from the nearest that it gives.
    low = _first_known(columns[1], low, columns[2], columns[3])
    middle = _first_known(columns[2], columns[0], columns[1], columns[3])
    high = _first_known(columns[3], high, columns[2], columns[1])
    return Slots(unique[0].astype(np.int32), last, low, middle, high)


def _first_known(*choices: F32) -> F32:
    result = choices[0].copy()
    for choice in choices[1:]:
        result = np.where(np.isnan(result), choice, result)
    return np.asarray(result, np.float32)
