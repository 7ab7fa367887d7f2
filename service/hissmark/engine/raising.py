"""What a tick says about the conditions of all alarms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import KINDS, Wanted
from hissmark.alarms.journal import AlarmKind, JournalEntry
from hissmark.engine.growing import trend_of
from hissmark.engine.measuring import Signal
from hissmark.engine.reasons import reason_text
from hissmark.engine.retested import ENDED, forget_cleared
from hissmark.engine.state import F32, Bools, State
from hissmark.engine.watching import long_silent
from hissmark.judge import evidence as ev
from hissmark.judge.group import Groups
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import SensorHealth, Verdict


def raise_alarms(
    state: State, at_us: int, on: Bools, verdict: npt.NDArray[np.uint8], rise: F32, limit: F32, margin: F32,
    blocked: npt.NDArray[np.uint8], signal: Signal, groups: Groups,
) -> list[JournalEntry]:  # fmt: skip
    """Advance all alarms by one tick. `limit`: float32[channels] dB, see `rise_limits`."""
    deadband = state.tuned.deadband_db
    judged = (blocked == NONE) & (signal.unsteady == NONE) & ~groups.masked
    passes = verdict == Verdict.PASSING
    contested = _leading_contested(state, verdict, rise)
    unwell = state.health.code != SensorHealth.WELL
    silent = state.health.code == SensorHealth.SILENT
    faulty = unwell & (~silent | long_silent(state, at_us, signal))
    with np.errstate(invalid="ignore"):
        low = rise < limit - deadband
    by_setting = (state.retest & ENDED) > 0
    cleared = judged & ~state.passing & (low | by_setting | (state.evidence <= ev.LOWEST + 1.0))
    stands = np.stack((passes, contested, faulty))
    gone = np.stack((cleared, judged & (verdict != Verdict.CONTESTED), ~unwell))
    alarms = state.alarms
    shown = (_kept(groups, alarms.rise_db, rise), _kept(groups, alarms.margin_db, margin))
    wanted = Wanted(stands, gone, *shown, on, state.suppression.held_by(state.process))

    def why(kind: AlarmKind, c: int) -> str:
        trend = trend_of(state, c, float(rise[c])) if kind is AlarmKind.PASSING else None
        return reason_text(state, kind, c, verdict, rise, margin, groups, trend, float(limit[c]))

    entries = state.alarms.step(at_us, state.settings.signal.tick_s, wanted, why)
    forget_cleared(state)
    return entries


def _kept(groups: Groups, said: F32, now: F32) -> F32:
    """What is heard now; of a leak that is drowned what was said of it last, float32[channels]."""
    before = said[KINDS.index(AlarmKind.PASSING)]
    return np.where(groups.masked & ~np.isnan(before), before, now)


def _leading_contested(state: State, verdict: npt.NDArray[np.uint8], rise: F32) -> Bools:
    """Of the contested valves of a group only the one that rises most: one doubt is one alarm."""
    contested = np.asarray((verdict == Verdict.CONTESTED) & state.valve, bool)
    if not contested.any():
        return contested
    highest = np.full(len(state.layout.group_names), -np.inf, np.float32)
    np.maximum.at(highest, state.layout.group_of[contested], rise[contested])
    return np.asarray(contested & (rise >= highest[state.layout.group_of]), bool)
