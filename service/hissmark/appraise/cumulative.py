"""What a leak has lost since it began: the rate of every tick of the history, added up with its interval.

The errors of the rates of one valve are nearly the same from tick to tick (it is the same regression, the
same coupling), so they do not average out: the low, middle and high rates are each added up on their own.
Ticks at which the valve was not taken for the source,
or less than 3 dB stood out, add nothing to low and middle. Time without a level (no data, no pressure
difference, open) is left out of the sum and told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.signal.levels import RESOLVABLE_DIFFERENCE_DB, leak_only
from hissmark.store.history import ChannelHistory
from hissmark.upkeep.following import Follower
from hissmark.worth.calibrate import F64, Fit
from hissmark.worth.flow import State
from hissmark.worth.media import Medium
from hissmark.worth.power import sound_power
from hissmark.worth.prediction import HIGH, LOW, MIDDLE, Basis, level_error_db, widening
from hissmark.worth.trace import Range

US = 1_000_000
LONGEST_US = 400 * 86_400 * US
"""A sum reaches back this far at most."""
GRID = 48
BINS_BAR = 12


@dataclass(frozen=True, slots=True)
class Total:
    """Mass lost since `from_us`, kg with 90 % interval; the hours it was reckoned over, and all that
    passed.
    """

    from_us: int
    mass_kg: Range
    heard_h: float
    passed_h: float


def total(
    follower: Follower, channel: Channel, fit: Fit, basis: Basis, medium: Medium, state: State | None,
    from_us: int, to_us: int, tick_s: float,
) -> Total:  # fmt: skip
    """Add up the rate over the history from `from_us` to `to_us`. `state` gives what the ticks do not
    tell. A valve that got another sensor meanwhile is followed through it.
    """
    from_us = max(from_us, to_us - LONGEST_US)
    mass, heard_s = np.zeros(3), 0.0
    for part in follower.history(channel, from_us, to_us):
        lost, seconds = _of_part(part, fit, basis, medium, state, tick_s)
        mass += lost
        heard_s += seconds
    passed_s = (to_us - from_us) / US
    return Total(from_us, Range(*mass.tolist()), heard_s / 3600.0, passed_s / 3600.0)


def _of_part(
    part: ChannelHistory, fit: Fit, basis: Basis, medium: Medium, state: State | None, tick_s: float
) -> tuple[F64, float]:
    """float64[3] kg (low, middle, high) of some ticks, and the seconds they stand for."""
    leak, _ = leak_only(part.level_db.astype(np.float64), part.baseline_db.astype(np.float64))
    closed = part.open_ != 1
    known = np.isfinite(part.level_db) & np.isfinite(part.baseline_db) & closed
    seconds = np.minimum(np.diff(part.time_us, append=part.time_us[-1:] + int(tick_s * US)) / US, 2 * tick_s)
    heard = known & np.isfinite(leak)
    rates = np.zeros((3, len(part)))
    if heard.any():
        blamed = part.verdict[heard] == Verdict.PASSING
        rise = (part.level_db - part.baseline_db)[heard].astype(np.float64)
        bars = part.difference_bar[heard].astype(np.float64)
        found = _rates(leak[heard], rise, bars, fit, basis, medium, state)
        found[:2, ~blamed | (rise < RESOLVABLE_DIFFERENCE_DB)] = 0.0
        rates[:, heard] = found
    return np.asarray(rates @ np.where(known, seconds, 0.0)), float(seconds[known].sum())


def _rates(
    leak: F64, rise: F64, bars: F64, fit: Fit, basis: Basis, medium: Medium, state: State | None
) -> F64:
    """float64[3, n] kg/s. Pressures are gathered into a few bins, levels read off a grid: both change
    slowly.
    """
    found = np.zeros((3, len(leak)))
    edges = (
        np.unique(np.round(np.quantile(bars[np.isfinite(bars)], np.linspace(0, 1, BINS_BAR)), 2))
        if (np.isfinite(bars).any())
        else np.array([np.nan])
    )
    nearest = np.abs(np.where(np.isfinite(bars), bars, edges[0])[:, None] - edges[None, :]).argmin(axis=1)
    for i, bar in enumerate(edges.tolist()):
        rows = nearest == i
        there = _state_at(state, bar)
        if not rows.any() or (there is not None and there.difference_pa <= 0.0):
            continue
        power = sound_power(medium, there) if there is not None and basis.regimes else None
        power_db = power.level_db if power is not None else fit.usual_power_db
        extra, _ = widening(basis, medium, power)
        found[:, rows] = _read_off(leak[rows], rise[rows], power_db, extra, fit)
    return found


def _read_off(leak: F64, rise: F64, power_db: float, extra: float, fit: Fit) -> F64:
    """float64[3, n] at one pressure."""
    grid = np.linspace(leak.min(), leak.max() + 1e-6, GRID)
    error = level_error_db(np.interp(grid, *_sorted(leak, rise)), np.full(GRID, 0.5))
    spread = fit.predict(grid, power_db, error).widened(extra)
    rates: F64 = np.array([10.0 ** np.interp(leak, grid, spread.quantile(p)) for p in (LOW, MIDDLE, HIGH)])
    return rates


def _sorted(x: F64, y: F64) -> tuple[F64, F64]:
    order = np.argsort(x)
    return x[order], y[order]


def _state_at(state: State | None, difference_bar: float) -> State | None:
    """The state with the difference of then over the downstream pressure of now."""
    if state is None or not np.isfinite(difference_bar):
        return state
    return State(state.downstream_pa + difference_bar * 1e5, state.downstream_pa, state.temperature_k)
