"""What the sensors themselves are like: what the watch for faults gets to see at a tick."""

from __future__ import annotations

import numpy as np

from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import US, Portion
from hissmark.engine.measuring import STALE_INTERVALS, Signal
from hissmark.engine.state import F32, Bools, Ints, State
from hissmark.judge.health import AT_BOUND_DB, LOOSE_DB, Drift, drifted, fell_alone, swapped_pairs
from hissmark.judge.verdict import NONE
from hissmark.signal.percentiles import masked_level

UNKNOWN_INTERVAL_S = STALE_INTERVALS * 3600
"""A sensor heard once may be one that reports hourly: it is called silent only after this long."""


def watch_health(
    state: State, portion: Portion, on: Bools, conditions: TestConditions, signal: Signal, mode: Ints,
    rise: F32, scale: F32,
) -> None:  # fmt: skip
    """Advance the watch by one tick. `mode`: int[groups] present operating condition."""
    heard = signal.last_us > 0
    unknown = (signal.interval_s == 0) & (portion.at_us - signal.last_us <= UNKNOWN_INTERVAL_S * US)
    state.health.step(
        on & heard, state.settings.signal.tick_s, ~signal.fresh & ~unknown,
        signal.levels.high - signal.levels.low, np.nan_to_num(state.baselines.usual_spread),
        signal.levels.slots, _alone(state, rise), scale, _swapped(state, rise, signal), signal.length_us / US,
        _drift(state, conditions, signal, mode), _fell_alone(state, rise),
    )  # fmt: skip


def _drift(state: State, conditions: TestConditions, signal: Signal, mode: Ints) -> Drift:
    """Looked at in full only where a background stands at its bound."""
    rows, per_channel = np.arange(len(state.valve)), mode[state.layout.group_of]
    value, anchor = state.baselines.value[rows, per_channel], state.baselines.anchor[rows, per_channel]
    with np.errstate(invalid="ignore"):
        at_bound = np.abs(value - anchor) >= state.tuned.max_drift_db - AT_BOUND_DB
    every = np.ones(len(rows), bool)
    if not at_bound.any():
        return Drift(~every, every)
    spread, geometry = state.geometry.spread, state.geometry
    usable = signal.fresh & (signal.unsteady == NONE) & ~np.isnan(anchor)
    laid = [np.asarray(spread(a, np.nan), np.float64) for a in (value, anchor, signal.levels.low)]
    bound = np.asarray(spread(state.tuned.max_drift_db, np.nan), np.float64)
    cannot_leak = np.asarray(spread(~state.valve | conditions.low_difference, False), bool)
    shown, told = ~every, every
    found = drifted(laid[0], laid[1], laid[2], bound, cannot_leak, np.asarray(spread(usable, False), bool))
    shown[geometry.place[geometry.present]] = found[0][geometry.present]
    told[geometry.place[geometry.present]] = found[1][geometry.present]
    return Drift(shown, told)


def _swapped(state: State, rise: F32, signal: Signal) -> Bools:
    """Channels that seem to have changed places with another of their group."""
    geometry = state.geometry
    laid = [np.asarray(geometry.spread(a, np.nan), np.float64) for a in (rise, signal.levels.low)]
    found = swapped_pairs(laid[0], laid[1], laid[1] - laid[0])
    swapped = np.zeros(len(rise), bool)
    swapped[geometry.place[geometry.present]] = found[geometry.present]
    return swapped


def _fell_alone(state: State, rise: F32) -> Bools:
    """Looked at only where somebody fell far enough to be loose."""
    geometry = state.geometry
    with np.errstate(invalid="ignore"):
        fell = rise < -LOOSE_DB
    alone = np.zeros(len(rise), bool)
    if fell.any():
        found = fell_alone(np.asarray(geometry.spread(rise, np.nan), np.float64))
        alone[geometry.place[geometry.present]] = found[geometry.present]
    return alone


def _alone(state: State, rise: F32) -> F32:
    """Rise less what the whole group fell by: one sensor that hears less is loose, a quiet plant not."""
    laid = np.asarray(state.geometry.spread(rise, np.nan), np.float32)
    common = np.minimum(np.nan_to_num(masked_level(laid, None, 50.0)), 0.0)
    return np.asarray(rise - common[state.layout.group_of], np.float32)
