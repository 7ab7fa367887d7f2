"""Average run lengths of EWMA and CUSUM charts, and the limits that keep a false-alarm budget.

The average run length (ARL) is the mean number of steps until a chart signals: with no shift the time
between false alarms, with a shift the delay of detection. Levels, references, limits and shifts are in
standard deviations of the charted values; times are in steps (ticks).

* `cusum_arl`, `ewma_arl`: independent Gaussian input, by the integral equation on Gauss-Legendre nodes
  (Goel & Wu 1971, Crowder 1987): exact to the digits that the published tables print.
* `approximate_arl`: any array of channels at once, autocorrelated input too, by Siegmund's (1985) formula
  with the long-run variance and an overshoot taken from an exact lattice (`hissmark.judge.lattice`).
* `limit_for_budget`: the inverse, from false alarms a year to the limit of each channel.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr

Values: TypeAlias = npt.NDArray[np.float64]

# Overshoot of an autoregressive CUSUM in units of (standard deviation times long-run variance): rows by
# autocorrelation, columns by reference. Near 1.166 for independent values and small references (Siegmund),
# near 1.46 for strongly correlated ones (the Milne constant of diffusion theory). Computed with
# `hissmark.judge.lattice.lattice_arl` at run lengths of 30,000 to 100,000; held at the ends.
_REFERENCE = np.array([0.25, 0.5, 0.75, 1.0, 1.5, 2.0])
_BY_PHI = {
    0.00: (1.163, 1.158, 1.150, 1.138, 1.106, 1.046),
    0.10: (1.246, 1.251, 1.258, 1.268, 1.292, 1.304),
    0.20: (1.307, 1.318, 1.335, 1.358, 1.414, 1.470),
    0.30: (1.353, 1.368, 1.391, 1.422, 1.498, 1.573),
    0.40: (1.388, 1.405, 1.432, 1.468, 1.556, 1.645),
    0.50: (1.414, 1.433, 1.462, 1.501, 1.597, 1.692),
    0.60: (1.434, 1.453, 1.484, 1.525, 1.624, 1.723),
    0.70: (1.448, 1.468, 1.500, 1.541, 1.642, 1.741),
    0.80: (1.458, 1.478, 1.510, 1.552, 1.652, 1.748),
    0.90: (1.461, 1.483, 1.515, 1.555, 1.639, 1.710),
    0.95: (1.461, 1.485, 1.516, 1.554, 1.629, 1.685),
}
_PHI = np.array(list(_BY_PHI))
_OVERSHOOT = np.array(list(_BY_PHI.values()))

_MAX_NODES = 800
_FLOOR_SD = 8.0  # a one-sided EWMA never gets this far below its mean


def cusum_arl(
    limit: float, reference: float, shift: float = 0.0, head_start: float = 0.0, two_sided: bool = False
) -> float:
    """ARL of a tabular CUSUM, independent input with standard deviation 1 and mean `shift`.

    One-sided means the upper sum only. `head_start` is where the sums begin, 0 to `limit`.
    """
    _require_limit(limit)
    if not 0.0 <= head_start <= limit:
        raise ValueError(f"a head start must lie between 0 and the limit {limit}, not at {head_start}")
    up, up_zero = _one_sided(limit, reference, shift, head_start)
    if not two_sided:
        return up
    down, down_zero = _one_sided(limit, reference, -shift, head_start)
    # Lucas & Crosier (1982): when one side signals the other stands at zero
    return (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)


def _one_sided(limit: float, reference: float, shift: float, start: float) -> tuple[float, float]:
    """ARL from `start` and from 0: ``L(s) = 1 + L(0) P(to 0) + integral over (0, h) of L(y) p(y | s)``."""
    nodes, weights = _gauss_legendre(0.0, limit, int(30 + 8 * limit))
    drift = shift - reference
    known = np.concatenate([[0.0], nodes])
    kernel = np.column_stack(
        [ndtr(-known - drift), weights * _density(nodes[None, :] - known[:, None] - drift)]
    )
    length = np.linalg.solve(np.eye(known.size) - kernel, np.ones(known.size))
    last = _density(nodes - start - drift) * weights
    from_start = 1.0 + length[0] * ndtr(-start - drift) + last @ length[1:]
    return float(from_start), float(length[0])


def ewma_arl(
    weight: float, width: float, shift: float = 0.0, start: float = 0.0, two_sided: bool = True
) -> float:
    """ARL of an EWMA chart with limits at ``± width`` standard deviations of the EWMA in the long run.

    Independent input with standard deviation 1 and mean `shift`; `start` is the first state of the EWMA.
    One-sided means that only the upper limit signals.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"the weight of an EWMA must be above 0 and at most 1, not {weight}")
    _require_limit(width)
    sigma = math.sqrt(weight / (2.0 - weight))
    upper = width * sigma
    lower = -upper if two_sided else min(0.0, shift) - _FLOOR_SD * sigma
    nodes, weights = _gauss_legendre(lower, upper, int(40 + 8 * (upper - lower) / weight))
    known = np.concatenate([[lower], nodes, [start]])
    kept = (1.0 - weight) * known
    scaled = (nodes[None, :] - kept[:, None]) / weight - shift
    kernel = np.zeros((known.size, known.size))
    kernel[:, 1:-1] = weights * _density(scaled) / weight
    if not two_sided:  # what falls below the floor is as good as at the floor
        kernel[:, 0] = ndtr((lower - kept) / weight - shift)
    return float(np.linalg.solve(np.eye(known.size) - kernel, np.ones(known.size))[-1])


def cusum_limit(run_length: float, reference: float, two_sided: bool = False) -> float:
    """Limit with the in-control ARL `run_length` (steps), independent input; the inverse of `cusum_arl`."""
    if not run_length > 1.0:
        raise ValueError(f"a run length must be longer than one step, not {run_length}")

    def excess(limit: float) -> float:
        return math.log(cusum_arl(limit, reference, two_sided=two_sided) / run_length)

    tiny = 1e-6
    if excess(tiny) >= 0.0:
        return 0.0
    guess = float(limit_for_run_length(2.0 * run_length if two_sided else run_length, reference))
    return float(brentq(excess, tiny, guess + 2.0, xtol=1e-9))


def long_run_variance(phi: npt.ArrayLike) -> Values:
    """Variance of the sum of many values over that of independent ones: ``(1 + phi) / (1 - phi)``.

    `phi` is the lag-one correlation of a first-order autoregressive series. Negative values count as 0,
    which errs on the side of fewer false alarms.
    """
    correlation = np.maximum(np.asarray(phi, np.float64), 0.0)
    if bool(np.any(correlation >= 1.0)):
        raise ValueError("an autocorrelation must be below 1: a series that never forgets has no run length")
    return np.asarray((1.0 + correlation) / (1.0 - correlation))


def equivalent_phi(variance_ratio: npt.ArrayLike) -> Values:
    """Autocorrelation of the autoregressive series with the given long-run variance: ``(v - 1) / (v + 1)``.

    For noise that is not autoregressive. Floors of windows that overlap by m - 1 of m ticks have the
    lag-one correlation 1 - 1/m but the long-run variance m only, half of what that correlation suggests.
    With the equivalent value false alarms of such a series (m = 10) came 20 to 35 % sooner than asked in a
    simulation; with the lag-one value they come much later, at the price of limits half as high again.
    """
    ratio = np.maximum(np.asarray(variance_ratio, np.float64), 1.0)
    return np.asarray((ratio - 1.0) / (ratio + 1.0))


def overshoot(phi: npt.ArrayLike, reference: npt.ArrayLike) -> Values:
    """How much further than the limit a CUSUM effectively has to go, in standard deviations of the values."""
    correlation = np.maximum(np.asarray(phi, np.float64), 0.0)
    allowance = np.asarray(reference, np.float64)
    row, row_part = _between(_PHI, correlation)
    column, column_part = _between(_REFERENCE, allowance)
    upper = _OVERSHOOT[row, column] * (1 - column_part) + _OVERSHOOT[row, column + 1] * column_part
    lower = _OVERSHOOT[row + 1, column] * (1 - column_part) + _OVERSHOOT[row + 1, column + 1] * column_part
    factor = upper * (1 - row_part) + lower * row_part
    return np.asarray(factor * long_run_variance(correlation))


def approximate_arl(
    limit: npt.ArrayLike, reference: npt.ArrayLike, shift: npt.ArrayLike = 0.0, phi: npt.ArrayLike = 0.0
) -> Values:
    """ARL of one-sided CUSUMs from 0, autocorrelated input allowed; all arguments broadcast.

    Siegmund: ``(exp(2 u) - 1 - 2 u) / (2 q^2)`` with ``q = (reference - shift) / sqrt(v)``, ``u = q b``,
    ``b = (limit + overshoot) / sqrt(v)`` and v the long-run variance.

    Against the exact lattice, correlations up to 0.9: within 2 % for run lengths from 10,000 and references
    up to 1, within 3 % from 1,000 and references up to 0.5. Too long are short run lengths of strongly
    correlated series (true 43 % less than asked at 100, correlation 0.9) and delays under a shift (by 10 %
    at a correlation of 0.5, by 15 to 40 % at 0.9).
    """
    variance = long_run_variance(phi)
    away = np.asarray(reference, np.float64) - np.asarray(shift, np.float64)
    reach = np.asarray(limit, np.float64) + overshoot(phi, reference)
    exponent = 2.0 * away * reach / variance
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        length = variance * (np.expm1(exponent) - exponent) / (2.0 * away**2)
    return np.where(np.abs(exponent) < 1e-4, reach**2 / variance, length)


def limit_for_run_length(
    run_length: npt.ArrayLike, reference: npt.ArrayLike, phi: npt.ArrayLike = 0.0
) -> Values:
    """Limit of one-sided CUSUMs with the in-control ARL `run_length` (steps); inverse of `approximate_arl`.

    Never below 0: there a single value over the reference signals, and the true ARL is longer than asked.
    """
    allowance = np.asarray(reference, np.float64)
    if bool(np.any(allowance <= 0.0)):
        raise ValueError(
            "the reference of a CUSUM must be positive: without it every channel signals in time"
        )
    variance = long_run_variance(phi)
    target = np.asarray(run_length, np.float64) * 2.0 * allowance**2 / variance
    exponent = np.log1p(target) + 1.0  # exp(y) - 1 - y = target: Newton from above, it converges downwards
    for _ in range(30):
        exponent = exponent - (np.expm1(exponent) - exponent - target) / np.expm1(exponent)
    return np.asarray(np.maximum(exponent * variance / (2.0 * allowance) - overshoot(phi, allowance), 0.0))


def limit_for_budget(
    false_alarms_per_year: npt.ArrayLike,
    ticks_per_year: float,
    reference: npt.ArrayLike,
    phi: npt.ArrayLike = 0.0,
) -> Values:
    """Limit h of each channel's one-sided CUSUM that spends the given number of false alarms a year.

    Args:
        false_alarms_per_year: budget of one channel; a site's budget divided by its channels.
        ticks_per_year: steps the chart makes in a year under test conditions (525,960 at one a minute).
        reference: k, in standard deviations of the charted values.
        phi: their autocorrelation from tick to tick (see `equivalent_phi` for overlapping windows).

    Returns:
        h in the same standard deviations, shape of the arguments broadcast.
    """
    budget = np.asarray(false_alarms_per_year, np.float64)
    if bool(np.any(budget <= 0.0)):
        raise ValueError("a false-alarm budget must be above zero: no limit rules false alarms out")
    return limit_for_run_length(ticks_per_year / budget, reference, phi)


def _between(grid: Values, at: Values) -> tuple[npt.NDArray[np.intp], Values]:
    """Place of `at` on a rising grid: lower neighbour and part of the way to the next, held at the ends."""
    held = np.clip(at, grid[0], grid[-1])
    lower = np.clip(np.searchsorted(grid, held, side="right") - 1, 0, grid.size - 2)
    return lower, np.asarray((held - grid[lower]) / (grid[lower + 1] - grid[lower]))


def _gauss_legendre(low: float, high: float, count: int) -> tuple[Values, Values]:
    """Nodes and weights for an integral from `low` to `high`."""
    nodes, weights = np.polynomial.legendre.leggauss(min(count, _MAX_NODES))
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights


def _density(x: Values) -> Values:
    """Standard normal density."""
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi))


def _require_limit(limit: float) -> None:
    if not (math.isfinite(limit) and limit > 0.0):
        raise ValueError(f"the limit of a chart must be a positive number, not {limit!r}")
