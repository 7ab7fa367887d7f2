"""What a closed tick says to the outside: the readings of every channel and the groups' explanations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import JournalEntry
from hissmark.engine.conditions import TestConditions
from hissmark.engine.growing import trends_of
from hissmark.engine.intake import Portion
from hissmark.engine.measuring import Signal
from hissmark.engine.readings import Tick
from hissmark.engine.standing import or_silence, rise_limits
from hissmark.engine.state import F32, Bools, State
from hissmark.judge.group import Groups
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Explanation, Verdict
from hissmark.signal.levels import leak_only


def tick_of(
    state: State, portion: Portion, on: Bools, conditions: TestConditions, signal: Signal, baseline: F32,
    scale: F32, rise: F32, verdict: npt.NDArray[np.uint8], reason: npt.NDArray[np.uint8], margin: F32,
    groups: Groups, calm: Bools, entries: list[JournalEntry],
) -> Tick:  # fmt: skip
    alone, resolvable = leak_only(signal.levels.low, baseline)
    leak = np.where(resolvable, alone, np.nan).astype(np.float32)
    of = state.layout.group_of
    open_ = np.where(conditions.open_, 1, np.where(conditions.position_unknown, 2, 0)).astype(np.uint8)
    source, second, explanation = standing_sources(state, groups, leak, rise)
    group_margin = np.where(source >= 0, margin[np.maximum(source, 0)], calm_margin(state, rise, scale, of))
    levels = signal.levels
    return Tick(
        portion.at_us, np.flatnonzero(portion.groups).astype(np.int32),
        np.flatnonzero(on).astype(np.int32), levels.low, levels.middle, levels.high,
        baseline, scale, rise, leak, groups.expected, verdict, reason,
        state.health.code.copy(), state.baselines.state_of(groups.mode[of], calm[of]), open_,
        conditions.difference_bar.astype(np.float32), (signal.unsteady == NONE).astype(np.uint8),
        signal.last_us, signal.interval_s, explanation, source, second,
        group_margin.astype(np.float32), groups.odds, groups.next_explanation, groups.next_source,
        changed_verdicts(state, on, verdict, reason), tuple(entries),
        trends_of(state, on, rise),
    )  # fmt: skip


def changed_verdicts(
    state: State, on: Bools, verdict: npt.NDArray[np.uint8], reason: npt.NDArray[np.uint8]
) -> npt.NDArray[np.int32]:
    """Valves whose verdict differs from the last one given (for `not testable` the reason counts too)."""
    blocked = verdict == Verdict.NOT_TESTABLE
    says = verdict.astype(np.int16) * 256 + np.where(blocked, reason, 0)
    changed = on & state.valve & (says != state.said)
    state.said[changed] = says[changed]
    return np.flatnonzero(changed).astype(np.int32)


def standing_sources(
    state: State, groups: Groups, leak: F32, rise: F32
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], npt.NDArray[np.uint8]]:
    """Sources as the verdicts name them: the passing valves, the loudest leak first."""
    source, second, explanation = groups.source.copy(), groups.second.copy(), groups.explanation.copy()
    named = np.flatnonzero(state.passing)
    if not len(named):
        return source, second, explanation
    loud = or_silence(leak[named])
    order = named[np.lexsort((-loud, state.layout.group_of[named]))]
    group = state.layout.group_of[order]
    begins = np.concatenate(([True], group[1:] != group[:-1]))
    source[group[begins]], second[group[begins]] = order[begins], -1
    explanation[group[begins]] = Explanation.ONE_PASSING
    follows = np.concatenate(([False], begins[:-1])) & ~begins
    second[group[follows]] = order[follows]
    explanation[group[follows]] = Explanation.TWO_PASSING
    return source, second, explanation


def calm_margin(state: State, rise: F32, scale: F32, of: npt.NDArray[np.int32]) -> F32:
    """Without a source: how far the rises stay below their limits, float32[groups] dB; the least counts."""
    left = np.full(len(state.layout.group_names), np.inf, np.float32)
    np.minimum.at(left, of, rise_limits(state, scale) - or_silence(rise))
    return np.where(np.isfinite(left), left, np.nan).astype(np.float32)
