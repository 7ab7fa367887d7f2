"""Random series the plants are made of. Time runs along axis 0, channels along axis 1; all in dB."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """One draw whose logarithm is uniform: durations and rates spread over decades."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def ar1(rng: np.random.Generator, steps: int, width: int, dt_s: float, tau_s: float, sd: float) -> F32:
    """Stationary first-order noise of standard deviation `sd` and time constant `tau_s`; [steps, width]."""
    a = float(np.exp(-dt_s / max(tau_s, 1e-3)))
    white = rng.standard_normal((steps, width), dtype=np.float32)
    if a < 0.01:
        return white * np.float32(sd)
    white[0] /= np.sqrt(1.0 - a * a)
    gain = sd * np.sqrt(1.0 - a * a)
    return lfilter([gain], [1.0, -a], white, axis=0).astype(np.float32)


def slow_walk(rng: np.random.Generator, steps: int, width: int, dt_s: float, knot_s: float, sd: float) -> F32:
    """Smooth drift: a stationary walk with a correlation time of ten knots, joined by straight lines."""
    knots = int(np.ceil(steps * dt_s / knot_s)) + 2
    values = ar1(rng, knots, width, knot_s, 10 * knot_s, sd)
    at = np.arange(steps) * dt_s / knot_s
    left = at.astype(np.int64)
    part = (at - left)[:, None].astype(np.float32)
    return values[left] * (1 - part) + values[left + 1] * part


def poisson_times(rng: np.random.Generator, rate_per_day: float, start_s: float, end_s: float) -> F64:
    """Sorted event times in seconds of a Poisson process."""
    count = rng.poisson(max(rate_per_day, 0.0) * max(end_s - start_s, 0.0) / 86400.0)
    return np.sort(rng.uniform(start_s, end_s, count))


def edges(t_s: F64, start_s: float, end_s: float, rise_s: float, fall_s: float) -> F64:
    """Weight 0..1 of an event on the grid `t_s`: raised-cosine edges, 1 in between."""
    up = np.clip((t_s - start_s) / max(rise_s, 1.0), 0.0, 1.0)
    down = np.clip((end_s - t_s) / max(fall_s, 1.0), 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * up)) * (0.5 - 0.5 * np.cos(np.pi * down))


def power(level_db: npt.ArrayLike) -> F64:
    """Relative power of a level."""
    return np.power(10.0, np.asarray(level_db, np.float64) / 10.0)


def level(relative_power: npt.ArrayLike) -> F64:
    """Level in dB of a relative power; -100 dB stands for silence."""
    return 10.0 * np.log10(np.maximum(np.asarray(relative_power, np.float64), 1e-10))
