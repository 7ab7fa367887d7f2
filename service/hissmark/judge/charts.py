"""Control charts as pure steps over all channels at once: EWMA and tabular CUSUM.

Each chart is ``step(state, x) -> state`` on arrays of one value per channel (float[n]), plus a form that
runs over a whole series at once (float[t, n], time first). NaN means that a channel has nothing new to
say: its state stays. Deviations are in units of the channel's own standard deviation where run lengths
(`hissmark.judge.runlength`) are to hold.

Sources: EWMA Roberts (1959), limits as in the NIST/SEMATECH handbook 6.3.2.4; CUSUM Page (1954), tabular
form as in Montgomery; head start ("fast initial response") Lucas & Crosier (1982).
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Values: TypeAlias = npt.NDArray[np.float64]
Mask: TypeAlias = npt.NDArray[np.bool_]


def ewma_weight(elapsed_s: npt.ArrayLike, time_constant_s: float) -> Values:
    """Weight of a new value after `elapsed_s` since the last one: ``1 - exp(-dt / T)``, between 0 and 1.

    Depends on time and not on the number of samples, so a gap lets the old value fade as it should. A
    duplicate (0 s) or a time that ran backwards gets weight 0 and changes nothing.
    """
    if not time_constant_s > 0.0:
        raise ValueError(f"a time constant must be a positive number of seconds, not {time_constant_s!r}")
    elapsed = np.maximum(np.asarray(elapsed_s, np.float64), 0.0)
    return np.asarray(-np.expm1(-elapsed / time_constant_s), np.float64)


def ewma_step(state: Values, x: npt.ArrayLike, weight: npt.ArrayLike) -> Values:
    """One EWMA step ``z + weight (x - z)``, float[n]: a NaN state takes `x` as it is, a NaN `x` keeps z."""
    value = np.asarray(x, np.float64)
    moved = state + np.asarray(weight, np.float64) * (value - state)
    started = np.where(np.isnan(state), value, moved)
    return np.where(np.isnan(value), state, started)


def ewma_path(series: npt.ArrayLike, weight: float, start: npt.ArrayLike) -> Values:
    """EWMA with constant weight (lambda) after each row of `series` (float[t] or [t, n], no NaN)."""
    x = np.asarray(series, np.float64)
    before = np.broadcast_to(np.asarray(start, np.float64), x.shape[1:])
    memory = ((1.0 - weight) * before)[None, ...]
    path, _ = lfilter([weight], [1.0, weight - 1.0], x, axis=0, zi=memory)
    return np.asarray(path, np.float64)


def ewma_sigma(weight: float, phi: npt.ArrayLike = 0.0, steps: npt.ArrayLike | None = None) -> Values:
    """Standard deviation of the EWMA of unit-variance noise.

    Args:
        weight: lambda, above 0 and at most 1.
        phi: lag-one autocorrelation of the noise (first order autoregressive); only the limit for many
            steps knows it.
        steps: number of values since a fixed start, for independent noise; None means very many.
    """
    kept = 1.0 - weight
    variance = np.asarray(weight / (2.0 - weight), np.float64)
    if steps is not None:
        return np.asarray(np.sqrt(variance * -np.expm1(2.0 * np.asarray(steps) * np.log1p(-weight))))
    correlation = np.asarray(phi, np.float64)
    return np.asarray(np.sqrt(variance * (1.0 + correlation * kept) / (1.0 - correlation * kept)))


def ewma_limits(
    centre: float, sigma: float, weight: float, width: float, phi: float = 0.0
) -> tuple[float, float]:
    """Lower and upper control limit, in the unit of `centre` and `sigma`; `width` is L, often 3."""
    reach = width * sigma * float(ewma_sigma(weight, phi))
    return centre - reach, centre + reach


class Cusum(NamedTuple):
    """Both sums of a two-sided CUSUM, float[n], never negative, in the unit of the deviations."""

    high: Values
    low: Values


def cusum_start(channels: int, head_start: float = 0.0) -> Cusum:
    """State before the first value; a head start of half the limit reacts faster to an early shift."""
    return Cusum(np.full(channels, float(head_start)), np.full(channels, float(head_start)))


def one_sided_step(total: Values, deviation: npt.ArrayLike, reference: npt.ArrayLike) -> Values:
    """One step of the upper sum, ``max(0, S + deviation - reference)``, float[n]; NaN keeps S.

    One step stands for one tick of evidence: a channel that missed ticks simply made fewer steps.
    """
    step = np.asarray(deviation, np.float64) - np.asarray(reference, np.float64)
    return np.where(np.isnan(step), total, np.maximum(0.0, total + step))


def cusum_step(state: Cusum, deviation: npt.ArrayLike, reference: npt.ArrayLike) -> Cusum:
    """One step of both sums; `deviation` is the value less its target, `reference` the allowance K."""
    value = np.asarray(deviation, np.float64)
    return Cusum(one_sided_step(state.high, value, reference), one_sided_step(state.low, -value, reference))


def cusum_signals(state: Cusum, limit: npt.ArrayLike) -> tuple[Mask, Mask]:
    """Which channels stand above the decision limit H, upwards and downwards: two bool[n]."""
    bound = np.asarray(limit, np.float64)
    return np.asarray(state.high > bound), np.asarray(state.low > bound)


def cusum_restart(state: Cusum, channels: Mask, head_start: float = 0.0) -> Cusum:
    """Put both sums of the given channels (bool[n]) back to the start, the others stay."""
    return Cusum(np.where(channels, head_start, state.high), np.where(channels, head_start, state.low))


def one_sided_path(deviation: npt.ArrayLike, reference: float, head_start: float = 0.0) -> Values:
    """Upper sum after each row of `deviation` (float[t] or [t, n]); the same as stepping, without the loop.

    Uses ``S_t = C_t - min(-S_0, min over s <= t of C_s)`` with C the running sum of deviation - reference.
    """
    step = np.asarray(deviation, np.float64) - reference
    running = np.cumsum(np.where(np.isnan(step), 0.0, step), axis=0)
    deepest = np.minimum(np.minimum.accumulate(running, axis=0), -head_start)
    return np.asarray(running - deepest)


def cusum_path(deviation: npt.ArrayLike, reference: float, head_start: float = 0.0) -> Cusum:
    """Both sums after each row of `deviation` (float[t] or [t, n])."""
    value = np.asarray(deviation, np.float64)
    return Cusum(one_sided_path(value, reference, head_start), one_sided_path(-value, reference, head_start))
