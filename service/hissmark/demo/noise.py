"""Random numbers that are a pure function of (seed, stream, counter): any stretch of time can be drawn alone.

A generator with a state would make the value at noon depend on whether somebody asked for the morning.
Hashing a counter does not, so `samples(a, b)` and `samples(b, c)` together are always `samples(a, c)`.
"""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_TO_UNIT = 2.0**-53


def stream(seed: int, *names: str) -> int:
    """A number for one named stream of a seed (64 bits)."""
    text = "/".join(names).encode()
    return (zlib.crc32(text) << 32 ^ zlib.crc32(text[::-1]) ^ (seed * 0x9E3779B1)) & 0xFFFFFFFFFFFFFFFF


def _mixed(x: U64) -> U64:
    """The finishing steps of SplitMix64 (Steele, Lea, Flood 2014): spreads every bit over all of them."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def uniform(key: int, counter: I64) -> F64:
    """Uniform in (0, 1), one for each counter; same shape as `counter`."""
    start = _mixed(np.atleast_1d(np.array(key, np.uint64)))
    bits = _mixed(start + counter.astype(np.uint64) * _GOLDEN)
    return ((bits >> np.uint64(11)).astype(np.float64) + 0.5) * _TO_UNIT


def normal(key: int, counter: I64) -> F64:
    """Standard normal, one for each counter."""
    return np.asarray(ndtri(uniform(key, counter)), np.float64)


def wander(key: int, t_s: F64, period_s: float) -> F64:
    """Autocorrelated noise with variance 1 that loses its memory over about `period_s` seconds.

    Independent values on a lattice of times, blended so that the variance stays the same in between.
    """
    place = t_s / period_s
    cell = np.floor(place).astype(np.int64)
    if not len(cell):
        return np.empty(0)
    low = int(cell.min())
    lattice = normal(key, np.arange(low, int(cell.max()) + 2, dtype=np.int64))
    angle = (place - cell) * (np.pi / 2)
    at = cell - low
    return np.asarray(np.cos(angle) * lattice[at] + np.sin(angle) * lattice[at + 1], np.float64)


def one_uniform(key: int, counter: int = 0) -> float:
    """A single uniform number."""
    return float(uniform(key, np.array([counter], np.int64))[0])


def one_normal(key: int, counter: int = 0) -> float:
    """A single standard normal number."""
    return float(normal(key, np.array([counter], np.int64))[0])
