"""The learned background of every channel in every operating condition.

A *mode* is one operating condition of a group: given by process tags, or found in the recurring joint levels
of the group (see `modes`). Per channel and mode a ring keeps window floors heard under test conditions, one
each `stride`; their median is the baseline, their MAD its scale. Once learned, a baseline follows slow change
only while the group is calm, no faster than `max_rate_db_per_day` and no further than `max_drift_db` from its
anchor: a leak cannot teach itself in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.baseline.following import US, Pace, Reach, between, followed, since_s, usual_with
from hissmark.baseline.modes import cluster, column_medians, shifted_evenly
from hissmark.baseline.robust import row_mad
from hissmark.baseline.strangers import Levels, Strangers
from hissmark.engine.settings import BaselineSettings, SignalSettings
from hissmark.judge.verdicts import BaselineState

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]
Array = npt.NDArray[Any]

RING = 80
RING_RANGE_DB = np.float32(-500), np.float32(500)
FREE_MODES = 4
MODES_BESIDE_TAGS = 2
"""Operating conditions that a group may be found in besides those that its process tags name."""
SMALLEST_MODE_STEP_DB = 3.0


class Opinion(NamedTuple):
    """What the judgement says of a state of a group.

    Attributes:
        one_source: (group, channels, their levels in the quietest mode, in another): a single source explains
            the step.
        no_source: (group, channels, their levels in each known mode, in a state that stands now): neither
            sources nor anything else known explains the step from any of them.
    """

    one_source: Callable[[int, Ints, Levels, Levels], bool]
    no_source: Callable[[int, Ints, list[Levels], Levels], bool]


class Heard(NamedTuple):
    """What a tick offers for learning; arrays over all channels.

    Attributes:
        level, spread: float32 dB, NaN without data. step: float32 dB, change since the tick before.
        last_us: int64 time of the newest sample.
        fit: bool, steady and under test conditions. mode: int, present mode of the channel's group.
        calm: bool, nothing under suspicion in the channel's group.
        on: bool, the channel's group closes this tick.
        strange: bool[groups], the group is in a state that neither a leak nor a known mode explains.
        named: int[groups], the operating condition that process tags name, 0 where none.
        blamed: bool, something in the channel's group seems to leak.
    """

    level: F32
    spread: F32
    step: F32
    last_us: I64
    fit: Bools
    mode: Ints
    calm: Bools
    on: Bools
    strange: Bools
    named: Ints
    blamed: Bools


class Baselines:
    """Baselines of C channels in M modes, and the modes of G groups.

    The first modes are those that process tags name, 0 being ordinary operation. Where no tag names any, the
    modes found by listening follow upon 0; where tags do, the last few are for what these do not tell.

    Attributes:
        modes: int8[G], of groups without tags, how many are known.
        found_in: int8[G, M], of a mode found by listening in a group with tags, the named one it is part of.
    """

    STATE_CHANNEL = (
        "value", "scale", "anchor", "learned", "approved", "entries", "since_us", "ring", "stamp", "head",
        "usual_spread", "usual_step", "taken_us", "samples", "held",
    )  # fmt: skip
    STATE_GROUP = ("modes", "found_in")

    def __init__(
        self,
        group_of: npt.NDArray[np.int32],
        groups: int,
        tagged: int,
        settings: BaselineSettings,
        signal: SignalSettings,
    ) -> None:
        """`tagged`: how many operating conditions process tags can name, the ordinary one included."""
        channels, modes = len(group_of), max(FREE_MODES, tagged + MODES_BESIDE_TAGS)
        self.settings = settings
        self.group_of = group_of
        ticks = -(-max(signal.window_s, settings.learn_s // RING) // signal.tick_s)
        self.stride_us = max(ticks, 1) * signal.tick_s * US
        shape = (channels, modes)
        self.value: F32 = np.full(shape, np.nan, np.float32)
        self.scale: F32 = np.full(shape, np.nan, np.float32)
        self.anchor: F32 = np.full(shape, np.nan, np.float32)
        self.learned: Bools = np.zeros(shape, bool)
        self.approved: Bools = np.zeros(shape, bool)
        self.held: Bools = np.zeros(shape, bool)
        self.pace = Pace(
            *(
                np.full(channels, value, np.float32)
                for value in (settings.follow_s, settings.max_rate_db_per_day, settings.max_drift_db)
            )
        )
        self.entries: npt.NDArray[np.int32] = np.zeros(shape, np.int32)
        self.since_us: I64 = np.zeros(shape, np.int64)
        # float16 resolves 0.03 dB at 60 dB; the ring is most of the memory of a channel
        self.ring = np.full((*shape, RING), np.nan, np.float16)
        # when each floor of the first mode was heard: only that ring is ever split into modes
        self.stamp = np.zeros((channels, RING), np.uint16)
        self.head: npt.NDArray[np.int16] = np.zeros(shape, np.int16)
        self.usual_spread: F32 = np.full(channels, np.nan, np.float32)
        self.usual_step: F32 = np.full(channels, np.nan, np.float32)
        """Mean square of the change from tick to tick, dB^2."""
        self.taken_us: I64 = np.zeros(channels, np.int64)
        self.samples: npt.NDArray[np.int32] = np.zeros(channels, np.int32)
        self.modes: npt.NDArray[np.int8] = np.ones(groups, np.int8)
        self.found_in: npt.NDArray[np.int8] = np.full((groups, modes), -1, np.int8)
        self.named = tagged
        self.strangers = Strangers(channels, groups)

    def eligible(self, free: Bools, named: Ints) -> Bools:
        """Modes that each group may be in, bool[G, M].

        Args:
            free: bool[G], no process tag names its conditions. named: int[G], the condition that tags name.
        """
        number = np.arange(self.value.shape[1])[None, :]
        by_tags = (number == named[:, None]) | (self.found_in == named[:, None])
        return np.asarray(np.where(free[:, None], number < self.modes[:, None], by_tags), bool)

    def count(self, group: int, free: bool) -> int:
        """How far the numbers of a group's modes go."""
        if free:
            return int(self.modes[group])
        found = np.flatnonzero(self.found_in[group] >= 0)
        return int(found[-1]) + 1 if len(found) else self.named

    def unused(self, group: int, free: bool) -> Ints:
        """Numbers that a mode found by listening may still get."""
        if free:
            return np.arange(int(self.modes[group]), FREE_MODES)
        beside = np.arange(self.named, self.value.shape[1])
        return np.asarray(beside[self.found_in[group, beside] < 0], np.intp)

    def learn(self, at_us: int, heard: Heard, free: Bools, opinion: Opinion) -> None:
        """Record this tick's floors where due, finish learning where enough is known, follow where calm.

        Args:
            free: bool[groups], groups whose modes are found here and not named by process tags.
            opinion: tells leaks from operating conditions.
        """
        if at_us % self.stride_us:
            return
        self._watch_strangers(at_us, heard, free, opinion)
        rows = np.flatnonzero(heard.on & heard.fit & ~np.isnan(heard.level))
        rows = rows[heard.last_us[rows] > self.taken_us[rows]]
        mode = heard.mode[rows]
        cell = self._cells(rows, mode)
        known = self.learned.take(cell)
        keep = np.where(known, heard.calm[rows] & ~self.held.take(cell), ~heard.blamed[rows])
        if not keep.all():
            rows, mode, known = rows[keep], mode[keep], known[keep]
        if not len(rows):
            return
        since = since_s(heard.last_us[rows], self.taken_us[rows])
        self._record(at_us, rows, mode, heard)
        self._follow(rows[known], mode[known], heard.level, since[known])
        self._finish(at_us, rows[~known], mode[~known], free, opinion)

    def _record(self, at_us: int, rows: Ints, mode: Ints, heard: Heard) -> None:
        cell = self._cells(rows, mode)
        place = self.head.take(cell)
        level = between(heard.level[rows], *RING_RANGE_DB)
        self.ring.put(cell * RING + place, level)
        first = mode == 0
        self.stamp[rows[first], place[first]] = (at_us // self.stride_us) % 65536
        self.head.put(cell, (place + 1) % RING)
        entries = self.entries.take(cell)
        self.since_us.put(cell, np.where(entries > 0, self.since_us.take(cell), at_us))
        self.entries.put(cell, entries + 1)
        self.taken_us[rows] = heard.last_us[rows]
        self.usual_spread[rows] = usual_with(self.usual_spread[rows], heard.spread[rows])
        step, usual = np.square(heard.step[rows]), self.usual_step[rows]
        self.usual_step[rows] = np.where(np.isnan(step), usual, usual_with(usual, step))

    def _cells(self, rows: Ints, mode: Ints) -> Ints:
        """Places in arrays of channels and modes, counted through; on a few rows `take` and `put` with these
        cost a third of indexing with both."""
        return np.asarray(rows * self.value.shape[1] + mode, np.intp)

    def _finish(self, at_us: int, rows: Ints, mode: Ints, free: Bools, opinion: Opinion) -> None:
        """Channels that have now heard enough get their baseline."""
        if not len(rows):
            return
        enough = (self.entries[rows, mode] >= self.settings.learn_windows) & (
            at_us - self.since_us[rows, mode] >= self.settings.learn_s * US - self.stride_us
        )
        rows, mode = rows[enough], mode[enough]
        if not len(rows):
            return
        self._settle(rows, mode)
        for group in np.unique(self.group_of[rows[mode == 0]]).tolist():
            if self.modes[group] == 1 and (self.found_in[group] < 0).all():
                self._find_modes(group, bool(free[group]), opinion)

    def _settle(self, rows: Ints, mode: Ints) -> None:
        """Median and scale of the ring become the baseline and its anchor."""
        located = row_mad(self.ring[rows, mode].astype(np.float32))
        self.value[rows, mode] = self.anchor[rows, mode] = located[0]
        self.scale[rows, mode] = np.maximum(located[1], self.settings.min_scale_db)
        self.learned[rows, mode] = True

    def _find_modes(self, group: int, free: bool, opinion: Opinion) -> None:
        """Split what a group learned into the operating conditions it went through meanwhile."""
        # a channel that is only a few windows behind has heard the same conditions
        heard = self.entries[:, 0] >= self.settings.learn_windows // 2
        rows = np.flatnonzero((self.group_of == group) & (self.learned[:, 0] | heard))
        joint, stamps = self._joint(rows)
        labels = cluster(joint, FREE_MODES)
        if labels.max() < 1:
            return
        centres = [column_medians(joint[labels == k]) for k in range(labels.max() + 1)]
        order = sorted(range(len(centres)), key=lambda k: float(np.nan_to_num(centres[k]).sum()))
        kept, room = [order[0]], 1 + len(self.unused(group, free))
        for k in order[1:]:
            if len(kept) < room and not opinion.one_source(group, rows, centres[order[0]], centres[k]):
                kept.append(k)
        self._adopt(group, free, rows, [(stamps[labels == k], joint[labels == k]) for k in kept])

    def _joint(self, rows: Ints) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.uint16]]:
        """Floors that the channels heard at the same times: float64[times, channels]."""
        stamps = np.unique(self.stamp[rows][~np.isnan(self.ring[rows, 0])])
        joint = np.full((len(stamps), len(rows)), np.nan)
        for k, row in enumerate(rows):
            have = ~np.isnan(self.ring[row, 0])
            joint[np.searchsorted(stamps, self.stamp[row][have]), k] = self.ring[row, 0][have]
        return joint, stamps

    def _adopt(
        self,
        group: int,
        free: bool,
        rows: Ints,
        parts: list[tuple[npt.NDArray[np.uint16], npt.NDArray[np.float64]]],
    ) -> None:
        """Refill the rings of a group mode by mode."""
        since = self.since_us[rows, 0].copy()
        numbers = [0, *self.unused(group, free)[: len(parts) - 1].tolist()]
        for mode, (stamps, joint) in zip(numbers, ((s[-RING:], j[-RING:]) for s, j in parts), strict=True):
            count = len(stamps)
            self.ring[rows, mode] = np.nan
            self.learned[rows, mode] = False
            self.ring[rows, mode, :count] = joint.T
            if mode == 0:
                self.stamp[rows, :count] = stamps
            self.head[rows, mode] = count % RING
            self.entries[rows, mode] = (~np.isnan(joint)).sum(axis=0)
            self.since_us[rows, mode] = since
            heard = rows[self.entries[rows, mode] >= 3]
            self._settle(heard, np.full(len(heard), mode))
            self._begin(group, free, mode, 0)

    def _begin(self, group: int, free: bool, mode: int, named: int) -> None:
        """A mode has been found by listening, while tags named another (0 without tags)."""
        if free:
            self.modes[group] = max(int(self.modes[group]), mode + 1)
        elif mode >= self.named:
            self.found_in[group, mode] = named

    def _watch_strangers(self, at_us: int, heard: Heard, free: Bools, opinion: Opinion) -> None:
        """Keep what a group sounds like in states not known; a state that comes back becomes a mode."""
        self.strangers.record(
            at_us // self.stride_us, heard.strange, self.group_of, heard.fit, heard.level, heard.named
        )
        if not self.strangers.stamp.any():
            return  # nothing strange was ever heard
        calm = np.zeros(len(self.modes), bool)
        calm[self.group_of[heard.on & heard.calm]] = True
        self.strangers.mark_quiet(at_us // self.stride_us, calm, self.group_of)
        for group in np.flatnonzero((calm | heard.strange) & self.strangers.fresh).tolist():
            unused = self.unused(group, bool(free[group]))
            if len(unused):
                self.strangers.fresh[group] &= not calm[group]
                self._take_stranger(group, bool(calm[group]), free, int(unused[0]), opinion)

    def _take_stranger(self, group: int, calm: bool, free: Bools, mode: int, opinion: Opinion) -> None:
        """A state that has come back, or that stands and that no source explains, becomes a mode."""
        rows = np.flatnonzero(self.group_of == group)
        found = self.strangers.recurring(group, rows) if calm else self.strangers.standing(group, rows)
        if found is None:
            return
        rows, named, centre, scale = found
        known = np.flatnonzero(self.eligible(free, np.full(len(free), named))[group])
        if self._unlikely_mode(group, rows, named, known, centre, opinion):
            return
        if not calm:
            backgrounds = [self.value[rows, other].astype(np.float64) for other in known]
            if not opinion.no_source(group, rows, backgrounds, centre):
                return
            self.strangers.use_up(group)
        heard = ~np.isnan(centre)
        self.value[rows[heard], mode] = self.anchor[rows[heard], mode] = centre[heard]
        self.scale[rows[heard], mode] = np.maximum(scale[heard], 2 * self.settings.min_scale_db)
        self.learned[rows[heard], mode] = True
        self._begin(group, bool(free[group]), mode, named)

    def _unlikely_mode(
        self, group: int, rows: Ints, named: int, known: Ints, centre: npt.NDArray[np.float64],
        opinion: Opinion,
    ) -> bool:  # fmt: skip
        """Whether a recurring state is none of its own: a leak by its looks, or a known one shifted
        evenly."""
        quiet = self.value[rows, named].astype(np.float64)
        with np.errstate(invalid="ignore"):
            moved = int((np.abs(centre - quiet) > SMALLEST_MODE_STEP_DB).sum())
        if moved < 2 or opinion.one_source(group, rows, quiet, centre):
            return True
        return any(shifted_evenly(centre - self.value[rows, mode].astype(np.float64)) for mode in known)

    def _follow(self, rows: Ints, mode: Ints, level: F32, since: npt.NDArray[np.float64]) -> None:
        """Let learned baselines follow slow change. `since`: float64[rows], see `since_s`."""
        if not len(rows):
            return
        cell = self._cells(rows, mode)
        value, scale, anchor = (a.take(cell) for a in (self.value, self.scale, self.anchor))
        reach = Reach.of(scale, anchor, since, Pace(*(limit[rows] for limit in self.pace)))
        self.value.put(cell, followed(value, level[rows], reach))

    def state_of(self, mode: Ints, calm: Bools) -> npt.NDArray[np.uint8]:
        """`BaselineState` of each channel in its present mode."""
        rows = np.arange(len(mode))
        learned, approved = self.learned[rows, mode], self.approved[rows, mode]
        state = np.where(approved, BaselineState.APPROVED, BaselineState.TRACKING)
        state = np.where(calm & ~self.held[rows, mode], state, BaselineState.HELD)
        return np.where(learned, state, BaselineState.LEARNING).astype(np.uint8)
