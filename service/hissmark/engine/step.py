"""One closed tick, from its samples to verdicts and alarms: the stages of the flow, in order."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.conditions import TestConditions, assess
from hissmark.engine.intake import Intake, Portion
from hissmark.engine.learning import calm_groups, learn_acoustics, learn_baselines
from hissmark.engine.measuring import Signal, measure, take_process
from hissmark.engine.raising import raise_alarms
from hissmark.engine.readings import Tick
from hissmark.engine.saying import tick_of
from hissmark.engine.standing import (
    highest_rise,
    margins_of,
    time_leads,
    update_passing,
    verdicts_of,
    wanted_margin,
)
from hissmark.engine.state import F32, Ints, State
from hissmark.engine.testable import channels_of, obstacles, time_open, with_sensor
from hissmark.engine.watching import watch_health
from hissmark.judge.explain import Fit, Heard
from hissmark.judge.group import Groups, judge, scored
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


class Stepper(State):
    """The state of the computation, and the one function that advances it."""

    def step(self, portion: Portion, intake: Intake) -> Tick:
        """Judge one portion of samples and return what the tick says."""
        on = portion.groups[self.layout.group_of]
        take_process(self, portion)
        conditions = assess(self.wiring, self.process, self.tuned.min_difference_bar)
        self.stroked_us[on & conditions.stroked] = portion.at_us
        time_open(self, portion.at_us, on, conditions)
        signal = measure(self, portion, intake)
        blocked = obstacles(self, portion.at_us, conditions, signal)
        groups = self._judge(portion, signal, blocked, conditions)
        self.mode[portion.groups] = groups.mode[portion.groups]
        baseline, scale = self._background(groups.mode)
        rise = (signal.levels.low - baseline).astype(np.float32)
        watch_health(self, portion, on, signal, rise, scale)
        blocked = with_sensor(self, blocked, baseline)
        time_leads(self, on & (blocked == NONE), groups.ratio)
        margin = margins_of(self, signal, baseline, rise, groups.leads)
        update_passing(self, on, rise, margin, (blocked == NONE) & (signal.unsteady == NONE))
        verdict, reason = verdicts_of(self, signal, blocked, rise, scale, baseline, groups)
        entries = raise_alarms(self, portion.at_us, on, verdict, rise, margin, blocked, signal, groups)
        learn_acoustics(self, portion.at_us, on, conditions, signal, baseline, rise)
        calm = calm_groups(self, groups, on)
        learn_baselines(self, portion, on, signal, blocked, groups, calm)
        return tick_of(
            self, portion, on, conditions, signal, baseline, scale, rise, verdict, reason, margin, groups,
            calm, entries,
        )  # fmt: skip

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
        channels = channels_of(self, signal, blocked)
        groups = judge(
            self.geometry, self.acoustics, channels, only, self._modes(conditions), self.baselines.modes,
            self.free, self.evidence.copy(),
        )  # fmt: skip
        baseline, scale = self._background(groups.mode)
        rise = (signal.levels.low - baseline).astype(np.float32)
        blocked = with_sensor(self, blocked, baseline)
        verdict, reason = verdicts_of(self, signal, blocked, rise, scale, baseline, groups)
        heard, found = scored(self.geometry, self.acoustics, channels, group, int(groups.mode[group]))
        return Look(
            at_us, conditions, signal, blocked, int(groups.mode[group]), baseline, scale, rise,
            margins_of(self, signal, baseline, rise, groups.leads), wanted_margin(self),
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
            self.geometry, self.acoustics, channels_of(self, signal, blocked), portion.groups,
            self._modes(conditions), self.baselines.modes, self.free, self.evidence,
        )  # fmt: skip

    def _modes(self, conditions: TestConditions) -> Ints:
        """Operating condition of each group: by its tags, or the one it was last found in."""
        return np.where(self.free, self.mode, conditions.operating).astype(np.intp)

    def _background(self, mode: Ints) -> tuple[F32, F32]:
        """Baseline and scale of each channel in the present operating condition of its group."""
        rows, per_channel = np.arange(len(self.valve)), mode[self.layout.group_of]
        return self.baselines.value[rows, per_channel], self.baselines.scale[rows, per_channel]
