"""What the sensors themselves are like: what the watch for faults gets to see at a tick."""

from __future__ import annotations

import numpy as np

from hissmark.engine.intake import US, Portion
from hissmark.engine.measuring import STALE_INTERVALS, Signal
from hissmark.engine.state import F32, Bools, State
from hissmark.judge.health import swapped_pairs
from hissmark.signal.percentiles import masked_level

UNKNOWN_INTERVAL_S = STALE_INTERVALS * 3600
"""A sensor heard once may be one that reports hourly: it is called silent only after this long."""


def watch_health(state: State, portion: Portion, on: Bools, signal: Signal, rise: F32, scale: F32) -> None:
    heard = signal.last_us > 0
    unknown = (signal.interval_s == 0) & (portion.at_us - signal.last_us <= UNKNOWN_INTERVAL_S * US)
    state.health.step(
        on & heard, state.settings.signal.tick_s, ~signal.fresh & ~unknown,
        signal.levels.high - signal.levels.low, np.nan_to_num(state.baselines.usual_spread),
        signal.levels.slots, _alone(state, rise), scale, _swapped(state, rise, signal), signal.length_us / US,
    )  # fmt: skip


def _swapped(state: State, rise: F32, signal: Signal) -> Bools:
    """Channels that seem to have changed places with another of their group."""
    geometry = state.geometry
    laid = [np.asarray(geometry.spread(a, np.nan), np.float64) for a in (rise, signal.levels.low)]
    found = swapped_pairs(laid[0], laid[1], laid[1] - laid[0])
    swapped = np.zeros(len(rise), bool)
    swapped[geometry.place[geometry.present]] = found[geometry.present]
    return swapped


def _alone(state: State, rise: F32) -> F32:
    """Rise less what the whole group fell by: one sensor that hears less is loose, a quiet plant not."""
    laid = np.asarray(state.geometry.spread(rise, np.nan), np.float32)
    common = np.minimum(np.nan_to_num(masked_level(laid, None, 50.0)), 0.0)
    return np.asarray(rise - common[state.layout.group_of], np.float32)
