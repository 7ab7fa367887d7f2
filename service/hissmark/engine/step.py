"""One closed tick, from its samples to verdicts and alarms: the stages of the flow, in order."""

from __future__ import annotations

from copy import deepcopy
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import JournalEntry
from hissmark.engine.conditions import TestConditions, assess
from hissmark.engine.growing import follow_trends
from hissmark.engine.intake import Intake, Portion
from hissmark.engine.learning import calm_groups, hear_backgrounds, learn_acoustics, learn_baselines
from hissmark.engine.measuring import Signal, measure, take_process
from hissmark.engine.moving import note_moves, settle, watch_steadiness
from hissmark.engine.passed import heard_before, note_ended
from hissmark.engine.raising import raise_alarms
from hissmark.engine.readings import Tick
from hissmark.engine.repaired import learn_from_repairs
from hissmark.engine.saying import tick_of
from hissmark.engine.standing import (
    follow_sources,
    highest_rise,
    margins_of,
    rise_limits,
    time_leads,
    update_passing,
    verdicts_of,
    wanted_margin,
)
from hissmark.engine.state import F32, Bools, Ints, State
from hissmark.engine.sudden import forget_sudden
from hissmark.engine.testable import channels_of, obstacles, time_open, with_sensor
from hissmark.engine.watching import watch_health
from hissmark.judge.explain import Fit
from hissmark.judge.group import Groups, judge, scored
from hissmark.judge.heard import Heard
from hissmark.judge.verdict import NONE


class Look(NamedTuple):
    """What one group's last tick was judged by; arrays over all channels but `heard` and `found` (one row).

    Attributes:
        blocked: uint8 `Reason` for not being testable, 255 where none. wanted_margin: float32 dB.
        highest: float32 dB, the highest rise of each channel's group.
        mode: operating condition of the group. heard, found: what was compared, and the scores.
    """

    at_us: int
    conditions: TestConditions
    signal: Signal
    blocked: npt.NDArray[np.uint8]
    mode: int
    baseline: F32
    scale: F32
    rise: F32
    margin: F32
    wanted_margin: F32
    highest: F32
    verdict: npt.NDArray[np.uint8]
    reason: npt.NDArray[np.uint8]
    groups: Groups
    heard: Heard
    found: Fit


class Seen(NamedTuple):
    """What a tick has heard and how it compares, before anything is decided; arrays over channels.

    Attributes:
        portion: the tick's samples. on: bool, the channel's group closes.
        blocked: uint8 `Reason` for not being testable, 255 where none.
        baseline, scale, rise, margin: float32 dB.
        known: bool, the channel's group sounds as it did in episodes that ended by themselves.
    """

    portion: Portion
    on: Bools
    conditions: TestConditions
    signal: Signal
    blocked: npt.NDArray[np.uint8]
    groups: Groups
    baseline: F32
    scale: F32
    rise: F32
    margin: F32
    known: Bools


class Decided(NamedTuple):
    """Verdict and reason codes of every channel (uint8), and what was journalled."""

    verdict: npt.NDArray[np.uint8]
    reason: npt.NDArray[np.uint8]
    entries: list[JournalEntry]


class Stepper(State):
    """The state of the computation, and the one function that advances it.

    `examine`, `decide` and `learn` are its three parts, for those who try several settings on the same sound.
    """

    def step(self, portion: Portion, intake: Intake) -> Tick:
        """Judge one portion of samples and return what the tick says."""
        seen = self.examine(portion, intake)
        verdict, reason, entries = self.decide(seen)
        calm = self.learn(seen)
        return tick_of(
            self, portion, seen.on, seen.conditions, seen.signal, seen.baseline, seen.scale, seen.rise,
            verdict, reason, seen.margin, seen.groups, calm, entries,
        )  # fmt: skip

    def examine(self, portion: Portion, intake: Intake) -> Seen:
        """Take a tick's samples in, compare the explanations, gather evidence."""
        on = portion.groups[self.layout.group_of]
        take_process(self, portion)
        conditions = assess(self.wiring, self.process, self.tuned.min_difference_bar)
        self.stroked_us[on & conditions.stroked] = portion.at_us
        time_open(self, portion.at_us, on, conditions)
        signal = measure(self, portion, intake)
        blocked = obstacles(self, portion.at_us, conditions, signal)
        note_moves(self, portion.at_us, on, conditions, signal, self._background(self._modes(conditions))[1])
        watch_steadiness(self, on, signal)
        hear_backgrounds(self, portion.groups)
        groups = self._judge(portion, signal, blocked, conditions)
        self.mode[portion.groups] = groups.mode[portion.groups]
        self.stirred[portion.groups] = groups.stirred[portion.groups]
        settle(self, portion.groups, groups)
        forget_sudden(self, portion.at_us, portion.groups, signal, groups)
        baseline, scale = self._background(groups.mode)
        rise = (signal.levels.low - baseline).astype(np.float32)
        watch_health(self, portion, on, conditions, signal, groups.mode, rise, scale)
        blocked = with_sensor(self, blocked, baseline)
        time_leads(self, on & (blocked == NONE), groups.ratio)
        margin = margins_of(self, signal, baseline, rise, groups.leads)
        known = heard_before(self, signal, scale)
        return Seen(portion, on, conditions, signal, blocked, groups, baseline, scale, rise, margin, known)

    def decide(self, seen: Seen) -> Decided:
        """Which valves count as passing from here on, every verdict, the alarms that follow."""
        steady = seen.signal.unsteady == NONE
        limit = rise_limits(self, seen.scale)
        judged = (seen.blocked == NONE) & steady & ~seen.groups.masked
        update_passing(self, seen.on, seen.rise, seen.margin, limit, judged, seen.known)
        verdict, reason = verdicts_of(
            self, seen.signal, seen.blocked, seen.rise, seen.scale, seen.margin, seen.groups, seen.known
        )
        follow_trends(
            self, seen.portion.at_us, seen.on & ~seen.groups.masked, seen.blocked, seen.signal.unsteady,
            seen.signal.levels.low, seen.baseline,
        )  # fmt: skip
        entries = raise_alarms(
            self, seen.portion.at_us, seen.on, verdict, seen.rise, limit, seen.margin, seen.blocked,
            seen.signal, seen.groups,
        )  # fmt: skip
        return Decided(verdict, reason, entries)

    def learn(self, seen: Seen) -> Bools:
        """What the tick teaches of losses and backgrounds; returns the groups that are calm."""
        learn_acoustics(
            self, seen.portion.at_us, seen.on, seen.conditions, seen.signal, seen.baseline, seen.rise,
            seen.groups,
        )  # fmt: skip
        follow_sources(self, seen.on, seen.blocked, seen.signal, seen.groups)
        learn_from_repairs(
            self, seen.portion.at_us, seen.on & ~seen.groups.masked, seen.signal, seen.blocked, seen.rise
        )
        calm = calm_groups(self, seen.groups, seen.on)
        if seen.portion.at_us % self.baselines.stride_us == 0:
            note_ended(self, seen.portion.at_us, seen.on, seen.blocked, calm & seen.portion.groups)
        learn_baselines(
            self, seen.portion, seen.on, seen.conditions, seen.signal, seen.blocked, seen.groups, calm
        )
        return calm

    def look(self, group: int, intake: Intake) -> Look:
        """Work out once more what the last tick of one group was judged by. Changes nothing."""
        at_us = int(intake.tick_us[group])
        only = np.zeros(len(self.layout.group_names), bool)
        only[group] = True
        nothing = np.empty(0, np.int64)
        portion = Portion(at_us, only, nothing.astype(np.int32), nothing, nothing.astype(np.float64))
        conditions = assess(self.wiring, self.process, self.tuned.min_difference_bar)
        signal = measure(self, portion, intake)
        blocked = obstacles(self, at_us, conditions, signal)
        channels = channels_of(self, at_us, signal, blocked)
        groups = judge(
            self.geometry, self.acoustics, channels, only, self._modes(conditions),
            self._eligible(conditions), self.settled.astype(np.intp), self.evidence.copy(),
            deepcopy(self.ceilings),
            float(self.settings.signal.tick_s),
        )  # fmt: skip
        baseline, scale = self._background(groups.mode)
        rise = (signal.levels.low - baseline).astype(np.float32)
        blocked = with_sensor(self, blocked, baseline)
        known = heard_before(self, signal, scale)
        margin = margins_of(self, signal, baseline, rise, groups.leads)
        verdict, reason = verdicts_of(self, signal, blocked, rise, scale, margin, groups, known)
        heard, found = scored(
            self.geometry,
            self.acoustics,
            self.ceilings,
            channels,
            group,
            int(groups.mode[group]),
            int(self.settled[group]),
        )
        return Look(
            at_us, conditions, signal, blocked, int(groups.mode[group]), baseline, scale, rise,
            margin, wanted_margin(self),
            highest_rise(self, rise), verdict, reason, groups, heard, found,
        )  # fmt: skip

    def is_calm(self, group: int, look: Look) -> bool:
        """Whether the baselines of a group may follow slow change after what `look` has seen."""
        everyone = np.ones(len(self.valve), bool)
        return bool(calm_groups(self, look.groups, everyone)[group])

    def _judge(
        self, portion: Portion, signal: Signal, blocked: npt.NDArray[np.uint8], conditions: TestConditions
    ) -> Groups:
        return judge(
            self.geometry, self.acoustics, channels_of(self, portion.at_us, signal, blocked), portion.groups,
            self._modes(conditions), self._eligible(conditions), self.settled.astype(np.intp), self.evidence,
            self.ceilings,
            float(self.settings.signal.tick_s),
        )  # fmt: skip

    def _modes(self, conditions: TestConditions) -> Ints:
        """Operating condition of each group: the one it was last found in, unless tags now name another."""
        rows = np.arange(len(self.mode))
        named = conditions.operating
        stays = self.free | (self.baselines.found_in[rows, self.mode] == named)
        return np.where(stays, self.mode, named).astype(np.intp)

    def _eligible(self, conditions: TestConditions) -> Bools:
        """Operating conditions that each group may be in, by its tags; bool[groups, modes]."""
        return self.baselines.eligible(self.free, conditions.operating)

    def _background(self, mode: Ints) -> tuple[F32, F32]:
        """Baseline and scale of each channel in the present operating condition of its group."""
        rows, per_channel = np.arange(len(self.valve)), mode[self.layout.group_of]
        return self.baselines.value[rows, per_channel], self.baselines.scale[rows, per_channel]
