"""What the sensors themselves are like: what the watch for faults gets to see at a tick."""

from __future__ import annotations

import numpy as np

from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import US, Portion
from hissmark.engine.measuring import STALE_INTERVALS, Signal
from hissmark.engine.state import F32, Bools, Ints, State
from hissmark.judge.health import (
    AT_BOUND_DB,
    LOOSE_DB,
    NOISY_DB,
    Beside,
    Drift,
    Sound,
    drifted,
    fell_alone,
    others_unknown,
    restless_alone,
    swapped_pairs,
)
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
    sound = Sound(
        signal.levels.high - signal.levels.low, state.baselines.usual_spread, signal.levels.slots,
        signal.length_us / US, _alone(state, rise), scale, state.passing,
    )  # fmt: skip
    tick_s = float(state.settings.signal.tick_s)
    state.health.step(
        on & heard, tick_s, ~signal.fresh & ~unknown, sound, _beside(state, signal, rise, sound),
        _drift(state, conditions, signal, mode),
    )  # fmt: skip


def long_silent(state: State, at_us: int, signal: Signal) -> Bools:
    """Channels that have been silent for so long that it is no gap in the radio."""
    return np.asarray(at_us - signal.last_us >= state.settings.alarms.silent_delay_s * US, bool)


def _drift(state: State, conditions: TestConditions, signal: Signal, mode: Ints) -> Drift:
    """Looked at in full only where a background stands at its bound."""
    rows, per_channel = np.arange(len(state.valve)), mode[state.layout.group_of]
    value, anchor = state.baselines.value[rows, per_channel], state.baselines.anchor[rows, per_channel]
    with np.errstate(invalid="ignore"):
        at_bound = np.abs(value - anchor) >= state.tuned.max_drift_db - AT_BOUND_DB
    every = np.ones(len(rows), bool)
    if not at_bound.any():
        return Drift(~every, every)
    spread = state.geometry.spread
    usable = signal.fresh & (signal.unsteady == NONE) & ~np.isnan(anchor)
    laid = [np.asarray(spread(a, np.nan), np.float64) for a in (value, anchor, signal.levels.low)]
    bound = np.asarray(spread(state.tuned.max_drift_db, np.nan), np.float64)
    cannot_leak = np.asarray(spread(~state.valve | conditions.low_difference, False), bool)
    found = drifted(laid[0], laid[1], laid[2], bound, cannot_leak, np.asarray(spread(usable, False), bool))
    return Drift(_by_channel(state, found[0]), _by_channel(state, found[1]))


def _beside(state: State, signal: Signal, rise: F32, sound: Sound) -> Beside:
    """What the groups say of each channel; looked at in full only where somebody stands out."""
    with np.errstate(invalid="ignore"):
        fell = rise < -LOOSE_DB
        wider = sound.spread - sound.usual
        restless = wider > NOISY_DB
    laid = np.asarray(state.geometry.spread(rise, np.nan), np.float64)
    level = np.asarray(state.geometry.spread(signal.levels.low, np.nan), np.float64)
    every = np.zeros(laid.shape, bool)
    alone, strange = (fell_alone(laid), others_unknown(laid)) if fell.any() else (every, every)
    quiet = every
    if restless.any():
        quiet = restless_alone(np.asarray(state.geometry.spread(wider, np.nan), np.float64))
    swapped = swapped_pairs(laid, level, level - laid)
    return Beside(*(_by_channel(state, found) for found in (alone, quiet, strange, swapped)))


def _by_channel(state: State, found: Bools) -> Bools:
    """From bool[groups, places] to bool[channels]."""
    geometry = state.geometry
    if geometry.whole:
        return found.reshape(-1)
    flat = np.zeros(len(state.valve), bool)
    flat[geometry.place[geometry.present]] = found[geometry.present]
    return flat


def _alone(state: State, rise: F32) -> F32:
    """Rise less what the whole group fell by: one sensor that hears less is loose, a quiet plant not."""
    laid = np.asarray(state.geometry.spread(rise, np.nan), np.float32)
    common = np.minimum(np.nan_to_num(masked_level(laid, None, 50.0)), 0.0)
    return np.asarray(rise - common[state.layout.group_of], np.float32)
