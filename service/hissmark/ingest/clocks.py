"""Clocks of sensors that are wrong, seen where samples arrive: the only place that knows when they came.

The *delay* of a channel is receipt less the newest time that it sent. Compared with its neighbours' a clock
that runs ahead sends from the future, which no way through a network does; one that is behind is late by the
same amount for long, while a way that was interrupted catches up; one that jumps is now here, now there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import Batch
from hissmark.engine.change import Change, clock_told
from hissmark.engine.layout import PROCESS, Layout

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

SERVICE = "hissmark"
"""Who puts these changes on record."""
LOOK_S = 60.0
LATELY_S = 7200.0
"""A neighbour not heard for this long says nothing."""
AHEAD_S = 120.0
IMPOSSIBLE_S = 60.0
"""A time this far ahead of its receipt was not measured yet: no network brings it."""
STEADY_S = 120.0
"""A delay that stays within this (or within the interval at which it is seen) does not catch up."""
JUMP_S = 300.0
JUMPS = 4
JUMPS_WITHIN_S = 6 * 3600.0
CONFIRM_S = 1800.0
FEWEST_LOOKS = 3
HONEST, AHEAD, BEHIND, JUMPING = range(4)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a look saw; arrays over channels. `offset_s`: ahead of the neighbours (NaN: none to compare)."""

    offset_s: F64
    heard: Bools


class Clocks:
    """Delay of every channel over time, and which clocks are wrong. Times here are those of the service."""

    def __init__(self, layout: Layout, wrong: Bools) -> None:
        """`wrong`: bool[channels], what is on record already."""
        count = len(layout.channels)
        self._layout = layout
        self._behind_s = float(layout.settings.signal.patience_s)
        self._channel_of = _channel_of_series(layout)
        along = np.arange(int(layout.count.max(initial=1)))
        self._present = along[None, :] < layout.count[:, None]
        self._place = np.where(self._present, layout.first[:, None] + along[None, :], 0)
        self._wrong = wrong.copy()
        self._delay_s: F64 = np.full(count, np.nan)
        self._heard_s: F64 = np.full(count, -np.inf)
        self._fresh = np.zeros(count, bool)
        self._look_due_s = -np.inf
        self._sort: npt.NDArray[np.int8] = np.zeros(count, np.int8)
        self._since_s: F64 = np.zeros(count)
        self._looks = np.zeros(count, np.int64)
        self._low_s, self._high_s = np.zeros(count), np.zeros(count)
        self._before_s: F64 = np.full(count, np.nan)
        self._jumps: F64 = np.zeros(count)

    def observe(self, batch: Batch, received_us: int) -> list[Change]:
        """Take in what arrived; now and then look at all clocks. Returns what is to go on record."""
        now_s = received_us / 1e6
        channel = self._channel_of[batch.series]
        level = channel >= 0
        if level.any():
            newest = np.full(len(self._delay_s), -np.inf)
            np.maximum.at(newest, channel[level], batch.time_us[level] / 1e6)
            came = np.isfinite(newest)
            self._delay_s[came] = now_s - newest[came]
            self._heard_s[came], self._fresh = now_s, self._fresh | came
        if now_s < self._look_due_s:
            return []
        self._look_due_s = now_s + LOOK_S
        return self._look(now_s)

    def _look(self, now_s: float) -> list[Change]:
        offset_s = self._offsets(now_s)
        heard = self._fresh & ~np.isnan(offset_s)
        self._fresh[:] = False
        self._count_jumps(_Seen(offset_s, heard))
        self._time(now_s, _Seen(offset_s, heard), self._sorted(offset_s))
        enough = (now_s - self._since_s >= CONFIRM_S) & (self._looks >= FEWEST_LOOKS) & heard
        steady = self._high_s - self._low_s <= np.maximum(STEADY_S, 0.2 * np.abs(offset_s))
        sure = enough & ((self._sort != BEHIND) | steady)
        turned = sure & ((self._sort != HONEST) != self._wrong)
        changes = [self._told(c, float(offset_s[c])) for c in np.flatnonzero(turned).tolist()]
        self._wrong[turned] = (self._sort != HONEST)[turned]
        return changes

    def _offsets(self, now_s: float) -> F64:
        """By how much each channel is ahead of the median of its group's others; of all where it has none."""
        lately = now_s - self._heard_s <= LATELY_S
        delay_s = np.where(lately, self._delay_s, np.nan)
        overall = float(np.nanmedian(delay_s)) if lately.sum() > 2 else np.nan
        laid = np.where(self._present, delay_s[self._place], np.nan)
        ahead = _ahead_of_others(laid, overall)
        offset_s = np.full(len(delay_s), np.nan)
        offset_s[self._place[self._present]] = ahead[self._present]
        return offset_s

    def _sorted(self, offset_s: F64) -> npt.NDArray[np.int8]:
        """What each clock looks like at this look."""
        with np.errstate(invalid="ignore"):
            ahead = (offset_s >= AHEAD_S) & (self._delay_s <= -IMPOSSIBLE_S)
            behind = offset_s <= -self._behind_s
        found = np.where(ahead, AHEAD, np.where(behind, BEHIND, HONEST))
        return np.where(self._jumps >= JUMPS, JUMPING, found).astype(np.int8)

    def _count_jumps(self, seen: _Seen) -> None:
        """Jumps back and forth, forgotten over hours."""
        self._jumps *= np.exp(-LOOK_S / JUMPS_WITHIN_S)
        with np.errstate(invalid="ignore"):
            jumped = seen.heard & (np.abs(seen.offset_s - self._before_s) >= JUMP_S)
            known_ahead = np.maximum(seen.offset_s, self._before_s) >= AHEAD_S
        # A way that is interrupted makes delays jump too, but never sends from the future.
        self._jumps[jumped & known_ahead] += 1.0
        self._before_s[seen.heard] = seen.offset_s[seen.heard]

    def _time(self, now_s: float, seen: _Seen, sort: npt.NDArray[np.int8]) -> None:
        """For how long each clock has looked the same, and between which offsets it was."""
        begins = seen.heard & (sort != self._sort)
        goes_on = seen.heard & ~begins
        self._sort[begins], self._since_s[begins], self._looks[begins] = sort[begins], now_s, 1
        self._low_s[begins] = self._high_s[begins] = seen.offset_s[begins]
        self._looks[goes_on] += 1
        self._low_s[goes_on] = np.minimum(self._low_s, seen.offset_s)[goes_on]
        self._high_s[goes_on] = np.maximum(self._high_s, seen.offset_s)[goes_on]

    def _told(self, c: int, offset_s: float) -> Change:
        name, minutes = self._layout.channels[c].name, abs(offset_s) / 60.0
        said = {
            HONEST: "its times agree with those of its neighbours again",
            AHEAD: f"its times are {minutes:.0f} min ahead of those of its neighbours",
            BEHIND: f"its times are {minutes:.0f} min behind those of its neighbours and do not catch up",
            JUMPING: "its times jump against those of its neighbours",
        }[int(self._sort[c])]
        return clock_told(name, bool(self._sort[c] != HONEST), offset_s, said, SERVICE)


def _channel_of_series(layout: Layout) -> Ints:
    """The channel whose level a series is, -1 for process values."""
    channel = np.full(len(layout.names), -1, np.intp)
    level = layout.input_role != PROCESS
    channel[layout.input_series[level]] = layout.input_channel[level]
    return channel


def _ahead_of_others(delay_s: F64, overall: float) -> F64:
    """Median delay of the others of the group less the own, float64[G, P]; NaN where it cannot be told."""
    if delay_s.shape[1] == 1:
        return np.asarray(overall - delay_s)
    ahead = np.full(delay_s.shape, np.nan)
    for i in range(delay_s.shape[1]):
        others = np.sort(np.delete(delay_s, i, axis=1), axis=1)  # NaN goes last
        count = (~np.isnan(others)).sum(axis=1)
        rows = np.arange(len(others))
        upper = np.minimum(count // 2, others.shape[1] - 1)
        middle = 0.5 * (others[rows, np.maximum(count - 1, 0) // 2] + others[rows, upper])
        ahead[:, i] = np.where(count > 1, middle, overall) - delay_s[:, i]
    return ahead
