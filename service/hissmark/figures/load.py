"""How many alarms an operator gets: rates over fixed periods, and floods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

US = 1_000_000
TEN_MIN_US, HOUR_US, DAY_US = 600 * US, 3600 * US, 86_400 * US
FLOOD_BEGINS = 10
"""More than so many in a 10-minute period begin a flood (ISA-18.2, second-hand)."""
FLOOD_ENDS = 5
"""Fewer than so many in a 10-minute period end it (ISA-18.2, second-hand)."""

I64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rate:
    """Alarms per period. `most` is the fullest whole period, `periods` how many whole ones were counted."""

    mean: float
    most: int
    periods: int


@dataclass(frozen=True, slots=True)
class Flood:
    """A run of 10-minute periods in which alarms came faster than anybody can deal with them."""

    begin_us: int
    end_us: int
    alarms: int


def counts(at_us: Sequence[int], from_us: int, to_us: int, period_us: int) -> tuple[int, I64]:
    """Alarms in each whole period of the clock (UTC) in [from, to): (start of the first, int64[periods])."""
    first = -(-from_us // period_us)
    n = max(0, to_us // period_us - first)
    index = np.asarray(at_us, np.int64) // period_us - first
    inside = index[(index >= 0) & (index < n)]
    return first * period_us, np.bincount(inside, minlength=n).astype(np.int64)


def rate(at_us: Sequence[int], from_us: int, to_us: int, period_us: int) -> Rate:
    """Mean over the whole span, and the fullest period."""
    _, found = counts(at_us, from_us, to_us, period_us)
    inside = sum(from_us <= at < to_us for at in at_us)
    span = (to_us - from_us) / period_us
    return Rate(inside / span if span > 0 else 0.0, int(found.max(initial=0)), len(found))


def share_over(at_us: Sequence[int], from_us: int, to_us: int, limit: int = FLOOD_BEGINS) -> float:
    """Share of the 10-minute periods with more than `limit` alarms."""
    _, found = counts(at_us, from_us, to_us, TEN_MIN_US)
    return float((found > limit).mean()) if len(found) else 0.0


def floods(at_us: Sequence[int], from_us: int, to_us: int) -> list[Flood]:
    """Runs of 10-minute periods: from the first with more than 10 alarms to the first with fewer than 5."""
    start_us, found = counts(at_us, from_us, to_us, TEN_MIN_US)
    runs: list[Flood] = []
    begin = None
    for i, n in enumerate([*found.tolist(), 0]):
        if begin is None and n > FLOOD_BEGINS:
            begin = i
        elif begin is not None and n < FLOOD_ENDS:
            alarms = int(found[begin:i].sum())
            runs.append(Flood(start_us + begin * TEN_MIN_US, start_us + i * TEN_MIN_US, alarms))
            begin = None
    return runs
