"""How a background moves with one floor: the arithmetic, for a tick and for many strides alike."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

US = 1_000_000
LONGEST_STEP_S = 4 * 3600.0
"""A baseline moves by no more than this much time allows at once: a gap is no licence to jump."""
SPREAD_SHARE = 0.05
"""Weight of one entry in the usual spread."""


class Pace(NamedTuple):
    """How fast and how far baselines may follow slow change; float32[channels]."""

    follow_s: F32
    max_rate_db_per_day: F32
    max_drift_db: F32


class Reach(NamedTuple):
    """How far floors may move learned baselines; dB, of any shape that goes with theirs.

    Attributes:
        near: float32, a floor counts as no further away. share: float64, of the way to it.
        most: float64, in the time that has passed. low, high: float32, bounds about the anchor.
    """

    near: F32
    share: F64
    most: F64
    low: F32
    high: F32

    @classmethod
    def of(cls, scale: F32, anchor: F32, since: F64, pace: Pace) -> Reach:
        """`since`: see `since_s`."""
        return cls(
            2 * scale, since / pace.follow_s, pace.max_rate_db_per_day * since / 86400,
            anchor - pace.max_drift_db, anchor + pace.max_drift_db,
        )  # fmt: skip


def since_s(last_us: I64, taken_us: I64) -> F64:
    """Time that a floor stands for: since the one taken before, so that slow sensors follow as fast."""
    return np.asarray(np.minimum((last_us - taken_us) / US, LONGEST_STEP_S), np.float64)


def followed(value: F32, level: F32, reach: Reach) -> F64:
    """Where learned baselines are after a floor."""
    near, share, most, low, high = reach
    wanted = between(level - value, -near, near) * share
    return between(value + between(wanted, -most, most), low, high)


def usual_with(usual: F32, new: F32) -> F32:
    """What is usual after one entry more; the first there is stands for itself."""
    return np.where(np.isnan(usual), new, usual + SPREAD_SHARE * (new - usual))


def between(values: Array, least: Array | np.float32, most: Array | np.float32) -> Array:
    """`np.clip` without what it costs on a few values; a year of one group comes here 70,000 times."""
    return np.minimum(np.maximum(values, least), most)
