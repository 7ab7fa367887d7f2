"""From level to rate: Bayesian regression of the logarithm of the rate on leak-only level and pressure.

    log10 rate = a_valve + b (level - power) + c (power - its mean) + scatter

`level` is the leak-only level (dB), `power` the sound power per mass flow that the standards expect at the
pressures (dB, see power.py). If the standards held to the letter, b were 1 decade per 10 dB and c nothing.
That is where both start (`Prior`); points move them as far as they carry. So one point gives the law of the
standards through that point, many points an ordinary regression, and there is no step between. Every valve
has a constant of its own (size, wall, coupling); similar valves share b, c and scatter. With a flat prior
and equal errors this *is* ordinary least squares with its t-distributed prediction interval, which is how
the tests check it.

The scatter is not known either: it is summed over a grid (`_GRID`), which makes every prediction a mixture
of normal distributions with the heavy tails that few points deserve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

F64 = npt.NDArray[np.float64]

SCATTERS = 81
_GRID = np.geomspace(0.004, 16.0, SCATTERS)
"""Standard deviations of the scatter that are considered, decades."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed before any point. `None` for a standard deviation: nothing (flat).

    Attributes:
        slope: decades of rate per dB of level; the standards say 0.1. slope_sd: ± 0.02 covers 7 to 17 dB a
            decade
            at two standard deviations (measurements on valves lie within; band-limited sensors do not hear
            the whole power).
        pressure_sd: how far the effect of the pressures may miss the standards' (decades per dB of it).
        scatter: median of the standard deviation of one valve's rate about its line, decades (0.12 is 1.2
            dB).
        scatter_factor: one standard deviation of it, as a factor.
    """

    slope: float = 0.1
    slope_sd: float | None = 0.02
    pressure_sd: float | None = 0.03
    scatter: float | None = 0.12
    scatter_factor: float = 1.8


@dataclass(frozen=True, slots=True)
class Point:
    """One pair of level and measured leak.

    Attributes:
        level_db: leak-only level. power_db: sound power per mass flow at its pressures, 0 if not known.
        log_rate: log10 of kg/s. sd_decades: of the measurement, with that of the level.
        valve: whose; each has its own constant.
    """

    level_db: float
    power_db: float
    log_rate: float
    sd_decades: float
    valve: str


@dataclass(frozen=True, eq=False, slots=True)
class Spread:
    """Distributions of log10 of the rate: mixtures of normals, one row each.

    Attributes:
        weight: float64[k]. mean, sd: float64[n, k].
    """

    weight: F64
    mean: F64
    sd: F64

    def below(self, log_rate: npt.ArrayLike) -> F64:
        """float64[n]: probability that the rate is below; `log_rate` is one number or one per row."""
        at = np.atleast_1d(np.asarray(log_rate, np.float64))[:, None]
        return np.asarray(ndtr((at - self.mean) / self.sd) @ self.weight)

    def quantile(self, p: float) -> F64:
        """float64[n]: log10 of the rate with probability `p` below, by bisection."""
        low = (self.mean - 12.0 * self.sd).min(axis=1)
        high = (self.mean + 12.0 * self.sd).max(axis=1)
        for _ in range(60):
            middle = 0.5 * (low + high)
            under = self.below(middle) < p
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray(0.5 * (low + high))

    def widened(self, sd_decades: float) -> Spread:
        """The same with an independent error added."""
        return Spread(self.weight, self.mean, np.hypot(self.sd, sd_decades))


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """The regression for one valve.

    Attributes:
        points: own ones first. own: how many of them are the valve's own.
        weight: float64[k] of each scatter of the grid; scatter: float64[k].
        mean: float64[k, m] coefficients (b, c, constants by valve); covariance: float64[k, m, m].
        pressure_mean_db: the mean that `power` counts from.
        leverage: float64[n] of each point (hat matrix); left_out: float64[n] two-sided probability of a
            point at
            least as far off, predicted from the others; NaN where the others cannot say.
    """

    points: tuple[Point, ...]
    own: int
    weight: F64
    scatter: F64
    mean: F64
    covariance: F64
    pressure_mean_db: float
    leverage: F64
    left_out: F64

    @property
    def slope(self) -> tuple[float, float]:
        """b and its standard deviation, decades per dB."""
        return self._coefficient(0)

    @property
    def pressure_slope(self) -> tuple[float, float]:
        """c and its standard deviation, decades per dB."""
        return self._coefficient(1)

    @property
    def scatter_decades(self) -> float:
        """Mean of the scatter."""
        return float(self.weight @ self.scatter)

    @property
    def own_levels_db(self) -> tuple[float, float]:
        """Lowest and highest power-adjusted level of the valve's own points."""
        adjusted = [p.level_db - p.power_db for p in self.points[: self.own]]
        return min(adjusted), max(adjusted)

    @property
    def usual_power_db(self) -> float:
        """Mean sound power per flow of the valve's own points: taken where that of now is not known."""
        return sum(p.power_db for p in self.points[: self.own]) / self.own

    def _coefficient(self, i: int) -> tuple[float, float]:
        mean = float(self.weight @ self.mean[:, i])
        variance = self.weight @ (self.covariance[:, i, i] + self.mean[:, i] ** 2) - mean**2
        return mean, math.sqrt(max(0.0, float(variance)))

    def predict(
        self, level_db: npt.ArrayLike, power_db: npt.ArrayLike, level_sd_db: npt.ArrayLike = 0.0
    ) -> Spread:
        """The rate at leak-only levels and powers (arrays of one length), with errors of the levels."""
        level, power, error = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(v, np.float64)) for v in (level_db, power_db, level_sd_db))
        )
        rows = _rows(level, power, self.pressure_mean_db, np.zeros(len(level), int), self.mean.shape[1] - 2)
        mean = rows @ self.mean.T
        parameters = np.einsum("ni,kij,nj->nk", rows, self.covariance, rows)
        noise = self.scatter[None, :] ** 2 + (self.mean[:, 0][None, :] * error[:, None]) ** 2
        return Spread(self.weight, mean, np.sqrt(np.maximum(parameters, 0.0) + noise))


def fit(
    own: Sequence[Point], similar: Sequence[Point] = (), prior: Prior | None = None, *, check: bool = True
) -> Fit | None:
    """Fit the points of a valve, with those of similar valves beside. None without a point of its own.

    `check=False` does without `left_out`, which fits once more for every point.
    """
    if not own:
        return None
    points = (*own, *similar)
    prior = prior or Prior()
    solved = _solve(points, prior)
    left = np.full(len(points), np.nan)
    if check:
        left = np.array([_left_out(points, i, prior) for i in range(len(points))])
    return Fit(
        points, len(own), solved.weight, _GRID, solved.mean, solved.covariance, solved.centre,
        solved.leverage, left,
    )  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class _Solved:
    weight: F64
    mean: F64
    covariance: F64
    leverage: F64
    centre: float


def _rows(level: F64, power: F64, centre: float, valve: npt.NDArray[np.int_], valves: int) -> F64:
    """float64[n, 2 + valves]: the regressors."""
    constants = np.eye(valves)[valve]
    return np.column_stack((level - power, power - centre, constants))


def _solve(points: Sequence[Point], prior: Prior) -> _Solved:
    names = list(dict.fromkeys(p.valve for p in points))
    level = np.array([p.level_db for p in points])
    power = np.array([p.power_db for p in points])
    centre = float(power.mean())
    x = _rows(level, power, centre, np.array([names.index(p.valve) for p in points]), len(names))
    # Levels near 100 dB against constants: centring keeps the normal equations well conditioned.
    shift = float(x[:, 0].mean())
    x[:, 0] -= shift
    y = np.array([p.log_rate for p in points])
    known = np.array([p.sd_decades for p in points]) ** 2
    precision, start = _prior_terms(prior, x.shape[1])
    if prior.pressure_sd is None and float(np.ptp(power)) == 0.0:
        precision[1, 1] = 1e12  # nothing to learn about pressures from points at one pressure
    parts = [_at_scatter(x, y, known, s, precision, start) for s in _GRID]
    log_weight = np.array([p[2] for p in parts]) + _log_prior(prior)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean, covariance = np.array([p[0] for p in parts]), np.array([p[1] for p in parts])
    leverage = np.einsum("k,kn->n", weight, np.array([p[3] for p in parts]))
    back = np.eye(x.shape[1])
    back[2:, 0] = -shift  # constants at level 0 again
    return _Solved(weight, mean @ back.T, back @ covariance @ back.T, leverage, centre)


def _prior_terms(prior: Prior, count: int) -> tuple[F64, F64]:
    """Precision (diagonal matrix) and centre of the coefficients; constants are flat."""
    precision, start = np.zeros((count, count)), np.zeros(count)
    start[0] = prior.slope
    for i, sd in enumerate((prior.slope_sd, prior.pressure_sd)):
        if sd is not None:
            precision[i, i] = 1.0 / sd**2
    return precision, start


def _log_prior(prior: Prior) -> F64:
    """Of each scatter of the grid: log-normal, or flat in its logarithm (the grid is even in it)."""
    if prior.scatter is None:
        return np.zeros(SCATTERS)
    return np.asarray(-0.5 * (np.log(_GRID / prior.scatter) / math.log(prior.scatter_factor)) ** 2)


def _at_scatter(
    x: F64, y: F64, known: F64, scatter: float, precision: F64, start: F64
) -> tuple[F64, F64, float, F64]:
    """Coefficients, their covariance, log evidence and leverages for one scatter."""
    variance = known + scatter**2
    weighted = x / variance[:, None]
    total = x.T @ weighted + precision
    covariance: F64 = np.asarray(np.linalg.inv(total), np.float64)
    mean = covariance @ (weighted.T @ y + precision @ start)
    residual, moved = y - x @ mean, mean - start
    misfit = float(residual @ (residual / variance) + moved @ precision @ moved)
    evidence = -0.5 * (float(np.log(variance).sum()) + float(np.linalg.slogdet(total)[1]) + misfit)
    return mean, covariance, evidence, np.einsum("ni,ij,nj->n", x, covariance, weighted)


def _left_out(points: tuple[Point, ...], i: int, prior: Prior) -> float:
    """Two-sided probability of point i, predicted from the others; NaN if the others cannot predict it."""
    others = points[:i] + points[i + 1 :]
    mates = [p for p in others if p.valve == points[i].valve]
    free = (prior.slope_sd is None) + (prior.pressure_sd is None)
    if not mates or (prior.scatter is None and len(others) < 3 + free):
        return math.nan
    ordered = (*mates, *(p for p in others if p.valve != points[i].valve))
    solved = _solve(ordered, prior)
    blank = np.zeros(len(ordered))
    rest = Fit(
        ordered, len(mates), solved.weight, _GRID, solved.mean, solved.covariance, solved.centre, blank, blank
    )
    spread = rest.predict(points[i].level_db, points[i].power_db).widened(points[i].sd_decades)
    under = float(spread.below(points[i].log_rate)[0])
    return 2.0 * min(under, 1.0 - under)
