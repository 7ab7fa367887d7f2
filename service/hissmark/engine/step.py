"""One closed tick, from its samples to verdicts and alarms: the stages of the flow, in order."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import AlarmBank, Subject, Wanted
from hissmark.alarms.journal import AlarmKind, JournalEntry
from hissmark.baseline.bank import Baselines
from hissmark.baseline.bank import Heard as BaselineHeard
from hissmark.engine.conditions import ProcessValues, TestConditions, Wiring, assess
from hissmark.engine.intake import NEVER, US, Intake, Portion
from hissmark.engine.layout import LEVEL, PROCESS, Layout
from hissmark.engine.readings import Tick
from hissmark.engine.reasons import reason_text
from hissmark.engine.suppression import Suppression
from hissmark.judge import evidence as ev
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.explain import Fit, Heard, fit
from hissmark.judge.geometry import Geometry
from hissmark.judge.group import Channels, Groups, judge, scored
from hissmark.judge.health import HealthBank, swapped_pairs
from hissmark.judge.verdict import NONE, Standing, give
from hissmark.judge.verdicts import Explanation, Reason, SensorHealth, Verdict
from hissmark.signal.levels import RESOLVABLE_DIFFERENCE_DB, leak_only
from hissmark.signal.percentiles import masked_level
from hissmark.signal.slots import condense
from hissmark.signal.windows import SlotRing, WindowLevels

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

FEWEST_SLOTS = 3
FEWEST_SHARE = 0.25
STALE_INTERVALS = 3.0
UNKNOWN_INTERVAL_S = STALE_INTERVALS * 3600
"""A sensor heard once may be one that reports hourly: it is called silent only after this long."""
SUSPECT_ODDS = 4.0
NOT_HIGHEST = 6.0
LONE_DB = 100.0
CLEAR_DB = 8.0
"""Rise from which an open valve is heard clearly enough to learn from."""
SETTLED_US = 300 * US
LASTING_US = 86_400 * US


class Signal(NamedTuple):
    """The windows of one tick and what they are worth; arrays over channels."""

    levels: WindowLevels
    length_us: I64
    last_us: I64
    interval_s: F32
    fresh: Bools
    unsteady: npt.NDArray[np.uint8]


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


class Stepper:
    """All state of the computation besides the intake, and the one function that advances it."""

    def __init__(self, layout: Layout) -> None:
        settings = layout.settings
        channels = layout.channels
        n, groups = len(channels), len(layout.group_names)
        self.layout, self.settings = layout, settings
        self.wiring = Wiring.of(layout)
        self.geometry = Geometry.of(layout.register.groups, settings.judge)
        self.acoustics = Acoustics(self.geometry, settings.judge.coupling_db)
        self.valve = np.array([c.kind == "valve" for c in channels], bool)
        self.windows = SlotRing(n, settings.signal.window_s // settings.signal.slot_s + 4)
        self.process = ProcessValues(len(layout.input_series))
        tagged = np.zeros(groups, bool)
        for _, members in layout.conditions:
            tagged[sorted(members)] = True
        self.free = ~tagged
        self.baselines = Baselines(
            layout.group_of, groups, len(layout.conditions) + 1, settings.baseline, settings.signal
        )
        self.health = HealthBank(n)
        self.evidence: F32 = np.full(n, ev.LOWEST, np.float32)
        self.lead_s: F32 = np.zeros(n, np.float32)
        self.passing: Bools = np.zeros(n, bool)
        self.stroked_us: I64 = np.full(n, NEVER, np.int64)
        self.open_us: I64 = np.zeros(n, np.int64)
        self.said: npt.NDArray[np.int16] = np.full(n, -1, np.int16)
        self.mode: npt.NDArray[np.int8] = np.zeros(groups, np.int8)
        self.suppression = Suppression.of(layout)
        delays = settings.alarms
        self.alarms = AlarmBank(
            tuple(Subject(c.subject, c.group, c.consequence) for c in channels),
            {
                AlarmKind.PASSING: delays.on_delay_s,
                AlarmKind.CONTESTED: delays.contested_delay_s,
                AlarmKind.SENSOR_FAULT: delays.fault_delay_s,
            },
            delays.off_delay_s,
            max_shelve_s=delays.max_shelve_s,
            priority=delays.priority,
            rules=self.suppression.texts,
        )
        self._own_inputs = np.full((n, 4), -1, np.int32)
        for i in np.flatnonzero(layout.input_channel >= 0):
            self._own_inputs[layout.input_channel[i], layout.input_role[i]] = i

    STATE_CHANNEL = ("evidence", "lead_s", "passing", "stroked_us", "open_us", "said")
    STATE_GROUP = ("mode",)

    def step(self, portion: Portion, intake: Intake) -> Tick:
        """Judge one portion of samples and return what the tick says."""
        on = portion.groups[self.layout.group_of]
        self._take_process(portion)
        conditions = assess(self.wiring, self.process, self.settings.judge.min_difference_bar)
        self.stroked_us[on & conditions.stroked] = portion.at_us
        self._time_open(portion.at_us, on, conditions)
        signal = self._measure(portion, intake)
        blocked = self._blocked(portion.at_us, conditions, signal)
        mode = np.where(self.free, self.mode, conditions.operating).astype(np.intp)
        groups = self._judge(portion, signal, blocked, mode)
        self.mode[portion.groups] = groups.mode[portion.groups]
        per_channel = groups.mode[self.layout.group_of]
        rows = np.arange(len(on))
        baseline = self.baselines.value[rows, per_channel]
        scale = self.baselines.scale[rows, per_channel]
        rise = (signal.levels.low - baseline).astype(np.float32)
        self._watch_health(portion, on, signal, rise, scale)
        blocked = self._blocked_by_sensor(blocked, baseline)
        self._time_leads(on & (blocked == NONE), groups.ratio)
        margin = self._margins(signal, baseline, rise, groups.leads)
        self._update_passing(on, rise, margin, (blocked == NONE) & (signal.unsteady == NONE))
        verdict, reason = self._verdicts(signal, blocked, rise, scale, baseline, groups)
        entries = self._raise_alarms(portion.at_us, on, verdict, rise, margin, blocked, signal, groups)
        self._learn_acoustics(portion.at_us, on, conditions, signal, baseline, rise)
        calm = self._calm(groups, on)
        self.baselines.learn(
            portion.at_us,
            BaselineHeard(
                signal.levels.low, signal.levels.high - signal.levels.low, signal.last_us,
                np.isin(blocked, (NONE, Reason.BASELINE_LEARNING))
                & (signal.unsteady == NONE)
                & ~self._disturbed(portion.at_us)[self.layout.group_of],
                per_channel, calm[self.layout.group_of], on, portion.groups & self._strange(groups),
            ),
            self.free, self._is_suspect,
        )  # fmt: skip
        return self._tick(
            portion,
            on,
            conditions,
            signal,
            baseline,
            scale,
            rise,
            verdict,
            reason,
            margin,
            groups,
            calm,
            entries,
        )

    def look(self, group: int, intake: Intake) -> Look:
        """Work out once more what the last tick of one group was judged by. Changes nothing."""
        at_us = int(intake.tick_us[group])
        only = np.zeros(len(self.layout.group_names), bool)
        only[group] = True
        nothing = np.empty(0, np.int64)
        portion = Portion(at_us, only, nothing.astype(np.int32), nothing, nothing.astype(np.float64))
        conditions = assess(self.wiring, self.process, self.settings.judge.min_difference_bar)
        signal = self._measure(portion, intake)
        blocked = self._blocked(at_us, conditions, signal)
        mode = np.where(self.free, self.mode, conditions.operating).astype(np.intp)
        channels = self._channels(signal, blocked)
        groups = judge(
            self.geometry, self.acoustics, channels, only, mode, self.baselines.modes, self.free,
            self.evidence.copy(),
        )  # fmt: skip
        per_channel = groups.mode[self.layout.group_of]
        rows = np.arange(len(self.valve))
        baseline, scale = self.baselines.value[rows, per_channel], self.baselines.scale[rows, per_channel]
        rise = (signal.levels.low - baseline).astype(np.float32)
        blocked = self._blocked_by_sensor(blocked, baseline)
        verdict, reason = self._verdicts(signal, blocked, rise, scale, baseline, groups)
        heard, found = scored(self.geometry, self.acoustics, channels, group, int(groups.mode[group]))
        return Look(
            at_us, conditions, signal, blocked, int(groups.mode[group]), baseline, scale, rise,
            self._margins(signal, baseline, rise, groups.leads), self._wanted_margin(), self._highest(rise),
            verdict, reason, groups, heard, found,
        )  # fmt: skip

    def is_calm(self, group: int, look: Look) -> bool:
        """Whether the baselines of a group may follow slow change after what `look` has seen."""
        everyone = np.ones(len(self.valve), bool)
        return bool(self._calm(look.groups, everyone)[group])

    def _time_open(self, at_us: int, on: Bools, conditions: TestConditions) -> None:
        """Since when each valve has been open, 0 while it is not; negative once its response was measured."""
        begins = on & conditions.open_ & (self.open_us == 0)
        self.open_us[begins] = at_us
        self.open_us[on & ~conditions.open_] = 0

    def _learn_acoustics(
        self, at_us: int, on: Bools, conditions: TestConditions, signal: Signal, baseline: F32, rise: F32
    ) -> None:
        """A valve that has been open for a while, alone in its group, is a known source: learn from it."""
        settled = (self.open_us > 0) & (at_us - self.open_us >= signal.length_us + SETTLED_US)
        due = on & settled & (signal.unsteady == NONE) & signal.fresh & (rise >= CLEAR_DB)
        for c in np.flatnonzero(due).tolist():
            group = int(self.layout.group_of[c])
            rows = slice(
                int(self.layout.first[group]), int(self.layout.first[group] + self.layout.count[group])
            )
            self.open_us[c] = -self.open_us[c]
            others = conditions.stroked[rows] | (
                at_us - self.stroked_us[rows] < self.settings.judge.settle_s * US
            )
            others[c - rows.start] = False
            if others.any() or self.passing[rows].any():
                continue
            alone, resolvable = leak_only(signal.levels.low[rows], baseline[rows])
            use = resolvable & (signal.unsteady[rows] == NONE) & signal.fresh[rows] & ~self._faulty()[rows]
            places = self.geometry.place.shape[1]
            level, clear, weak = np.zeros(places), np.zeros(places, bool), np.zeros(places, bool)
            count = rows.stop - rows.start
            level[:count], clear[:count] = np.where(use, alone, 0.0), use & (rise[rows] >= 3.0)
            weak[:count] = rise[rows] < CLEAR_DB
            self.acoustics.measure(group, c - rows.start, level, clear, weak)

    def _take_process(self, portion: Portion) -> None:
        layout = self.layout
        mine = layout.input_role[portion.input] == PROCESS
        on = portion.groups[layout.input_group]
        self.process.take(portion.input[mine], portion.value[mine], on)

    def _measure(self, portion: Portion, intake: Intake) -> Signal:
        """Push the tick's samples into the windows and read these."""
        layout, signal = self.layout, self.settings.signal
        role = layout.input_role[portion.input]
        mine = role != PROCESS
        if not mine.all():
            role, inputs = role[mine], portion.input[mine]
            times, values = portion.time_us[mine], portion.value[mine]
        else:
            inputs, times, values = portion.input, portion.time_us, portion.value
        channel = layout.input_channel[inputs]
        self.windows.push(condense(channel, role - LEVEL, times, values, signal.slot_s * US))
        own = self._own_inputs
        heard = intake.judged_us[own] > NEVER
        last = np.where(heard, intake.judged_us[own], 0).max(axis=1)
        interval = np.where(
            heard & (intake.interval_us[own] > 0), intake.interval_us[own], np.iinfo(np.int64).max
        )
        interval_us = interval.min(axis=1)
        interval_us = np.where(interval_us == np.iinfo(np.int64).max, 0, interval_us)
        reach = (interval_us * (signal.sparse_samples + 0.25)).astype(np.int64)
        length = np.maximum(signal.window_s * US, reach)
        levels = self.windows.measure(slice(None), portion.at_us, length)
        stale_us = np.maximum(signal.stale_s * US, (STALE_INTERVALS * interval_us).astype(np.int64))
        fresh = (last > 0) & (portion.at_us - last <= stale_us)
        unsteady = self._unsteady(levels, length, interval_us)
        return Signal(levels, length, last, (interval_us / US).astype(np.float32), fresh, unsteady)

    def _unsteady(self, levels: WindowLevels, length_us: I64, interval_us: I64) -> npt.NDArray[np.uint8]:
        signal = self.settings.signal
        expected = length_us / np.maximum(interval_us, signal.slot_s * US)
        few = (
            (levels.slots < FEWEST_SLOTS) | (levels.slots < FEWEST_SHARE * expected) | np.isnan(levels.drift)
        )
        # Until the usual spread is known any is usual: a cycling steam trap belongs to the background.
        usual = np.nan_to_num(self.baselines.usual_spread, nan=np.inf)
        with np.errstate(invalid="ignore"):
            drifting = np.abs(levels.drift) > signal.drift_limit_db
            spread = levels.high - levels.low > signal.spread_limit_db + usual
        return np.select(
            [few, drifting, spread],
            [Reason.TOO_FEW_SAMPLES, Reason.LEVEL_DRIFTING, Reason.LEVEL_NOT_STEADY],
            NONE,
        ).astype(np.uint8)

    def _blocked(self, at_us: int, conditions: TestConditions, signal: Signal) -> npt.NDArray[np.uint8]:
        """Reason for not being testable, `NONE` where a channel is; the sensor itself comes later."""
        settle_us = self.settings.judge.settle_s * US
        just = at_us - self.stroked_us < np.maximum(settle_us, 0)
        return np.select(
            [
                ~signal.fresh, conditions.position_unknown, conditions.open_, just,
                conditions.pressure_unknown, conditions.low_difference,
            ],
            [
                Reason.NO_FRESH_DATA, Reason.POSITION_NOT_HEARD, Reason.OPEN, Reason.JUST_STROKED,
                Reason.PRESSURE_NOT_HEARD, Reason.NO_PRESSURE_DIFFERENCE,
            ],
            NONE,
        ).astype(np.uint8)  # fmt: skip

    def _blocked_by_sensor(self, blocked: npt.NDArray[np.uint8], baseline: F32) -> npt.NDArray[np.uint8]:
        """The same with what the sensor itself lacks."""
        testable = blocked == NONE
        blocked = np.where(testable & np.isnan(baseline), Reason.BASELINE_LEARNING, blocked).astype(np.uint8)
        return np.where(testable & self._faulty(), Reason.SENSOR_FAULT, blocked).astype(np.uint8)

    def _faulty(self) -> Bools:
        code = self.health.code
        return np.asarray((code != SensorHealth.WELL) & (code != SensorHealth.SILENT), bool)

    def _channels(self, signal: Signal, blocked: npt.NDArray[np.uint8]) -> Channels:
        """What the judgement takes of each channel."""
        window_s = signal.length_us / US
        known = np.isin(blocked, (Reason.OPEN, Reason.JUST_STROKED))
        steady = signal.unsteady == NONE
        unrest = np.where(steady, 0.0, 0.5 * np.abs(np.nan_to_num(signal.levels.drift)))
        sound = (
            signal.fresh
            & ~self._faulty()
            & ~self.health.suspect
            & (signal.unsteady != Reason.TOO_FEW_SAMPLES)
        )
        return Channels(
            signal.levels.low, unrest.astype(np.float32),
            self.baselines.value, self.baselines.scale, sound, self.valve & (blocked == NONE) & steady, known,
            (self.settings.signal.tick_s / window_s).astype(np.float32), self.alarms.active[0] | self.passing,
        )  # fmt: skip

    def _judge(self, portion: Portion, signal: Signal, blocked: npt.NDArray[np.uint8], mode: Ints) -> Groups:
        channels = self._channels(signal, blocked)
        return judge(
            self.geometry, self.acoustics, channels, portion.groups, mode, self.baselines.modes, self.free,
            self.evidence,
        )  # fmt: skip

    def _watch_health(self, portion: Portion, on: Bools, signal: Signal, rise: F32, scale: F32) -> None:
        heard = signal.last_us > 0
        unknown = (signal.interval_s == 0) & (portion.at_us - signal.last_us <= UNKNOWN_INTERVAL_S * US)
        self.health.step(
            on & heard, self.settings.signal.tick_s, ~signal.fresh & ~unknown,
            signal.levels.high - signal.levels.low, np.nan_to_num(self.baselines.usual_spread),
            signal.levels.slots, self._alone(rise), scale, self._swapped(rise, signal), signal.length_us / US,
        )  # fmt: skip

    def _swapped(self, rise: F32, signal: Signal) -> Bools:
        """Channels that seem to have changed places with another of their group."""
        geometry = self.geometry
        laid = [np.asarray(geometry.spread(a, np.nan), np.float64) for a in (rise, signal.levels.low)]
        found = swapped_pairs(laid[0], laid[1], laid[1] - laid[0])
        swapped = np.zeros(len(rise), bool)
        swapped[geometry.place[geometry.present]] = found[geometry.present]
        return swapped

    def _alone(self, rise: F32) -> F32:
        """Rise less what the whole group fell by: one sensor that hears less is loose, a quiet plant not."""
        laid = np.asarray(self.geometry.spread(rise, np.nan), np.float32)
        common = np.minimum(np.nan_to_num(masked_level(laid, None, 50.0)), 0.0)
        return np.asarray(rise - common[self.layout.group_of], np.float32)

    def _time_leads(self, judged: Bools, ratio: F32) -> None:
        """How long each valve has been a plausible source; forgotten four times as fast as gathered."""
        tick_s = float(self.settings.signal.tick_s)
        changed = np.where(
            ratio > -ev.PLAUSIBLE, self.lead_s + tick_s, np.maximum(self.lead_s - 4 * tick_s, 0.0)
        )
        self.lead_s[judged] = changed[judged]

    def _update_passing(self, on: Bools, rise: F32, margin: F32, judged: Bools) -> None:
        """A valve counts as passing from enough evidence until evidence or rise are gone."""
        limit, deadband = self.settings.judge.rise_limit_db, self.settings.alarms.deadband_db
        with np.errstate(invalid="ignore"):
            evidence = self.evidence + ev.persistence(self.lead_s)
            # On a loud background a source rises less than its neighbours: the group's rise meets the limit.
            stands_out = (rise >= RESOLVABLE_DIFFERENCE_DB) & (self._highest(rise) >= limit)
            # The highest steady rise marks the source; one that is not the highest needs far better evidence.
            wanted = self.settings.judge.odds_limit + np.where(
                margin >= self._wanted_margin(), 0.0, NOT_HIGHEST
            )
            begins = (evidence >= wanted) & stands_out
            ends = (evidence <= 0) | (rise < min(limit - deadband, RESOLVABLE_DIFFERENCE_DB) - 0.25)
        update = on & judged & self.valve
        self.passing[update] = (begins | (self.passing & ~ends))[update]

    def _wanted_margin(self) -> F32:
        """Margin in dB that each channel needs; less where losses and coupling have been learned."""
        free = np.ones(len(self.valve), np.float32)
        place, present = self.geometry.place, self.geometry.present
        free[place[present]] = self.acoustics.coupling_free()[present]
        return np.asarray(self.settings.judge.margin_db * free, np.float32)

    def _highest(self, rise: F32) -> F32:
        """The highest rise in each channel's group, float32[channels] dB; -inf where nothing is known."""
        highest = np.full(len(self.layout.group_names), -np.inf, np.float32)
        np.maximum.at(highest, self.layout.group_of, _or_silence(rise))
        return highest[self.layout.group_of]

    def _verdicts(
        self,
        signal: Signal,
        blocked: npt.NDArray[np.uint8],
        rise: F32,
        scale: F32,
        baseline: F32,
        groups: Groups,
    ) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
        of = self.layout.group_of
        judged = self.passing & (blocked == NONE)
        group_passes = np.zeros(len(self.layout.group_names), bool)
        group_passes[of[judged]] = True
        with np.errstate(invalid="ignore"):
            material = rise > np.maximum(1.0, 2.0 * scale)
            above = rise >= self.settings.judge.rise_limit_db
            noticeable = rise >= self.settings.judge.rise_limit_db - self.settings.alarms.deadband_db
        return give(
            Standing(
                self.valve,
                blocked,
                signal.unsteady,
                material,
                noticeable,
                above,
                judged,
                groups.leads,
                np.abs(groups.ratio) < self.settings.judge.margin_db,
                group_passes[of],
                groups.explanation[of],
                groups.reason[of],
                self._source_reason(rise, baseline),
            )
        )

    def _source_reason(self, rise: F32, baseline: F32) -> npt.NDArray[np.uint8]:
        """Whether the source shows the highest rise of its group, or only the highest leak-only level."""
        plain = rise >= self._highest(rise)
        return np.where(plain, Reason.HIGHEST_STEADY_RISE, Reason.HIGHEST_LEAK_ONLY_LEVEL).astype(np.uint8)

    def _margins(self, signal: Signal, baseline: F32, rise: F32, leads: Bools) -> F32:
        """How far each channel's leak-only level stands above the highest of the others in its group, dB.

        Learned coupling is taken off first, and of two sources neither stands against the other. Where
        nothing else stands out, the next explanation is that nothing leaks: the margin is the rise itself.
        """
        alone, _ = leak_only(signal.levels.low, baseline)
        power = _or_silence(np.asarray(alone, np.float64))
        laid = np.asarray(self.geometry.spread(power, -np.inf), np.float64) - self.acoustics.coupling_db
        source = np.asarray(self.geometry.spread(leads, False), bool)
        spill = np.where(source, -np.inf, laid).max(axis=1, keepdims=True)
        others = np.where(source, spill, ev.best_other(laid))
        place, present = self.geometry.place, self.geometry.present
        margin = np.full(len(power), -np.inf)
        margin[place[present]] = laid[present] - others[present]
        lone = np.isfinite(margin) & (margin > LONE_DB)
        margin = np.where(lone, rise, margin)
        return np.where(np.isfinite(margin), np.maximum(margin, -LONE_DB), np.nan).astype(np.float32)

    def _raise_alarms(
        self, at_us: int, on: Bools, verdict: npt.NDArray[np.uint8], rise: F32, margin: F32,
        blocked: npt.NDArray[np.uint8], signal: Signal, groups: Groups,
    ) -> list[JournalEntry]:  # fmt: skip
        limit, deadband = self.settings.judge.rise_limit_db, self.settings.alarms.deadband_db
        judged = (blocked == NONE) & (signal.unsteady == NONE)
        passes = verdict == Verdict.PASSING
        contested = self._leading_contested(verdict, rise)
        faulty = self.health.code != SensorHealth.WELL
        with np.errstate(invalid="ignore"):
            low = rise < limit - deadband
        cleared = judged & ~self.passing & (low | (self.evidence <= ev.LOWEST + 1.0))
        stands = np.stack((passes, contested, faulty))
        gone = np.stack((cleared, judged & (verdict != Verdict.CONTESTED), ~faulty))
        wanted = Wanted(stands, gone, rise, margin, on, self.suppression.held_by(self.process))

        def why(kind: AlarmKind, c: int) -> str:
            return reason_text(self, kind, c, verdict, rise, margin, groups)

        return self.alarms.step(at_us, self.settings.signal.tick_s, wanted, why)

    def _leading_contested(self, verdict: npt.NDArray[np.uint8], rise: F32) -> Bools:
        """Of the contested valves of a group only the one that rises most: one doubt is one alarm."""
        contested = np.asarray((verdict == Verdict.CONTESTED) & self.valve, bool)
        if not contested.any():
            return contested
        highest = np.full(len(self.layout.group_names), -np.inf, np.float32)
        np.maximum.at(highest, self.layout.group_of[contested], rise[contested])
        return np.asarray(contested & (rise >= highest[self.layout.group_of]), bool)

    def _calm(self, groups: Groups, on: Bools) -> Bools:
        """Groups in which nothing is under suspicion, so that baselines may follow."""
        even = np.isin(groups.explanation, (Explanation.NOTHING, Explanation.EVEN_SHIFT)) & (
            np.abs(groups.shift_db) < self.settings.baseline.max_drift_db
        )
        calm = ~groups.stirred | even
        suspected = self.passing | self.alarms.active[0] | (self.evidence > 0)
        calm[self.layout.group_of[suspected]] = False
        return calm

    def _disturbed(self, at_us: int) -> Bools:
        """Groups in which a valve is open or has just been stroked: nothing to learn a background from.

        A valve that stays open for a day belongs to the background of its neighbours.
        """
        since = np.abs(self.open_us)
        open_lately = (since > 0) & (at_us - since < LASTING_US)
        stroked = at_us - self.stroked_us < np.maximum(self.settings.judge.settle_s * US, 1)
        disturbed = np.zeros(len(self.layout.group_names), bool)
        disturbed[self.layout.group_of[open_lately | (stroked & (since == 0))]] = True
        return disturbed

    def _strange(self, groups: Groups) -> Bools:
        """Groups in a state neither ordinary nor a leak: perhaps an operating condition not yet known."""
        unknown = np.isin(
            groups.explanation, (Explanation.EVEN_SHIFT, Explanation.OUTSIDE_NOISE, Explanation.UNEXPLAINED)
        )
        strange = groups.stirred & unknown
        strange[self.layout.group_of[self.passing | self.alarms.active[0]]] = False
        return np.asarray(strange, bool)

    def _is_suspect(
        self, group: int, rows: Ints, quiet: npt.NDArray[np.float64], other: npt.NDArray[np.float64]
    ) -> bool:
        """Whether the step from the quietest mode to another looks like one valve passing."""
        first, places = int(self.layout.first[group]), self.geometry.place.shape[1]
        background, level = np.full((1, places), -60.0), np.full((1, places), -60.0)
        at = rows - first
        background[0, at], level[0, at] = quiet, other
        use = np.zeros((1, places), bool)
        use[0, at] = ~np.isnan(quiet) & ~np.isnan(other)
        background, level = np.where(use, background, -60.0), np.where(use, level, -60.0)
        scale = np.where(use, 0.7, 1.0)
        valve = np.zeros((1, places), bool)
        valve[0, at] = self.valve[rows]
        heard = Heard(
            level,
            background,
            scale,
            use,
            valve & use,
            np.zeros_like(use),
            self.geometry.reference[[group]],
            *self.acoustics.of(np.array([group])),
        )
        found = fit(heard)
        others = max(float(a[0]) for a in (found.nothing, found.shift, found.outside, found.unexplained))
        return float(found.passing[0].max()) - others > SUSPECT_ODDS

    def _tick(
        self, portion: Portion, on: Bools, conditions: TestConditions, signal: Signal, baseline: F32,
        scale: F32, rise: F32, verdict: npt.NDArray[np.uint8], reason: npt.NDArray[np.uint8],
        margin: F32, groups: Groups, calm: Bools, entries: list[JournalEntry],
    ) -> Tick:  # fmt: skip
        alone, resolvable = leak_only(signal.levels.low, baseline)
        leak = np.where(resolvable, alone, np.nan).astype(np.float32)
        of = self.layout.group_of
        open_ = np.where(conditions.open_, 1, np.where(conditions.position_unknown, 2, 0)).astype(np.uint8)
        source, second, explanation = self._standing_sources(groups, leak, rise)
        group_margin = np.where(source >= 0, margin[np.maximum(source, 0)], self._calm_margin(rise, of))
        levels = signal.levels
        return Tick(
            portion.at_us, np.flatnonzero(portion.groups).astype(np.int32),
            np.flatnonzero(on).astype(np.int32), levels.low, levels.middle, levels.high,
            baseline, scale, rise, leak, groups.expected, verdict, reason,
            self.health.code.copy(), self.baselines.state_of(groups.mode[of], calm[of]), open_,
            conditions.difference_bar.astype(np.float32), (signal.unsteady == NONE).astype(np.uint8),
            signal.last_us, signal.interval_s, explanation, source, second,
            group_margin.astype(np.float32), groups.odds, groups.next_explanation, groups.next_source,
            self._changed(on, verdict, reason), tuple(entries),
        )  # fmt: skip

    def _changed(
        self, on: Bools, verdict: npt.NDArray[np.uint8], reason: npt.NDArray[np.uint8]
    ) -> npt.NDArray[np.int32]:
        """Valves whose verdict differs from the last one given (for `not testable` the reason counts too)."""
        blocked = verdict == Verdict.NOT_TESTABLE
        says = verdict.astype(np.int16) * 256 + np.where(blocked, reason, 0)
        changed = on & self.valve & (says != self.said)
        self.said[changed] = says[changed]
        return np.flatnonzero(changed).astype(np.int32)

    def _standing_sources(
        self, groups: Groups, leak: F32, rise: F32
    ) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], npt.NDArray[np.uint8]]:
        """Sources as the verdicts name them: the passing valves, the loudest leak first."""
        source, second, explanation = groups.source.copy(), groups.second.copy(), groups.explanation.copy()
        named = np.flatnonzero(self.passing)
        if not len(named):
            return source, second, explanation
        loud = _or_silence(leak[named])
        order = named[np.lexsort((-loud, self.layout.group_of[named]))]
        group = self.layout.group_of[order]
        begins = np.concatenate(([True], group[1:] != group[:-1]))
        source[group[begins]], second[group[begins]] = order[begins], -1
        explanation[group[begins]] = Explanation.ONE_PASSING
        follows = np.concatenate(([False], begins[:-1])) & ~begins
        second[group[follows]] = order[follows]
        explanation[group[follows]] = Explanation.TWO_PASSING
        return source, second, explanation

    def _calm_margin(self, rise: F32, of: npt.NDArray[np.int32]) -> F32:
        """Without a source: how far the highest rise stays below the limit."""
        highest = np.full(len(self.layout.group_names), -np.inf, np.float32)
        np.maximum.at(highest, of, _or_silence(rise))
        return np.where(np.isfinite(highest), self.settings.judge.rise_limit_db - highest, np.nan).astype(
            np.float32
        )


def _or_silence(values: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """NaN (nothing known) as -inf dB, so that it never is the highest."""
    return np.where(np.isnan(values), -np.inf, values)
