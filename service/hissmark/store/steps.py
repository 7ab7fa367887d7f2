"""Levels as whole steps of a decimal place and how they change: what keeps blocks of ticks small.

Sensors give levels with a decimal or two, and a percentile of them has one more. So a level is a whole number
of steps of 0.01 or 0.001 dB; where float32 arithmetic left it a unit in the last place beside the number that
is nearest to that, so many units are kept beside it. From tick to tick the steps change little. Rows that are
not like that, of sensors that give all digits of a float, stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.readings import F32

DIGITS = (1, 2, 3, 4)
MOST_UNITS = 2
"""A level that is further off its step is not one of few digits."""
UNKNOWN = -128
"""Stands among the units where a level is not known."""
_MOST_DB = 50_000.0
_NAN = np.float32(np.nan).view(np.uint32)
_SOME_TICKS = 4


@dataclass(frozen=True, eq=False, slots=True)
class Steps:
    """Rows of levels, a tick a column.

    Attributes:
        digits: a step is 10 to the power of minus this many dB.
        fitting: bool[rows], which rows are made of steps.
        first: int32[fitting, 1], steps at the first tick ([fitting, 0] if there is none).
        changes: uint16 or uint32[fitting, ticks - 1], from a tick to the next: 0, -1, 1, -2 as 0, 1, 2, 3.
        units: int8[fitting, ticks], units in the last place to add, or `UNKNOWN`.
        plain: float32[the others, ticks].
    """

    digits: int
    fitting: npt.NDArray[np.bool_]
    first: npt.NDArray[np.int32]
    changes: npt.NDArray[Any]
    units: npt.NDArray[np.int8]
    plain: F32


def steps_of(levels: F32) -> Steps:
    """Rows of levels [rows, ticks]."""
    unknown = np.isnan(levels)
    filled = _filled(levels, unknown)
    some = filled[:, :: max(1, filled.shape[1] // _SOME_TICKS)]
    digits = max(DIGITS, key=lambda n: (int(_fitting(_units(some, n)[1]).sum()), -n))
    steps, beside = _units(filled, digits)
    fitting = _fitting(beside)
    if unknown.any():
        fitting &= ((levels.view(np.uint32) == _NAN) | ~unknown).all(axis=1)
    if not fitting.all():
        steps, beside, unknown = steps[fitting], beside[fitting], unknown[fitting]
    units = beside.astype(np.int8)
    units[unknown] = UNKNOWN
    return Steps(digits, fitting, steps[:, :1], _changes(steps), units, levels[~fitting])


def levels_of(steps: Steps) -> F32:
    """The rows that `steps_of` was given, bit for bit."""
    whole = np.empty(steps.units.shape, np.int32)
    whole[:, :1] = steps.first
    half, odd = (steps.changes >> 1).astype(np.int32), (steps.changes & 1).astype(np.int32)
    np.bitwise_xor(half, -odd, out=whole[:, 1:])
    np.cumsum(whole, axis=1, out=whole)
    level = _nearest(whole, steps.digits)
    level.view(np.int32)[...] += steps.units
    if steps.units.size and steps.units.min() == UNKNOWN:
        level[steps.units == UNKNOWN] = np.nan
    if not len(steps.plain):
        return level
    found = np.empty((len(steps.fitting), level.shape[1]), np.float32)
    found[steps.fitting], found[~steps.fitting] = level, steps.plain
    return found


def _filled(levels: F32, unknown: npt.NDArray[np.bool_]) -> F32:
    """Each unknown level as the one before it, or 0, so that nothing seems to change there."""
    if not unknown.any():
        return levels
    before = np.maximum.accumulate(np.where(unknown, 0, np.arange(levels.shape[1])), axis=1)
    found: F32 = np.take_along_axis(levels, before, axis=1)
    found[np.isnan(found)] = 0.0
    return found


def _units(levels: F32, digits: int) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Steps of each level, and how many units in the last place it lies beside them. Levels that are too
    high for it, infinite ones among them, come out as far beside.
    """
    small = np.clip(levels, -_MOST_DB, _MOST_DB)
    steps = np.rint(small * 10.0**digits).astype(np.int32)
    return steps, levels.view(np.int32) - _nearest(steps, digits).view(np.int32)


def _fitting(units: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    return np.asarray(((units >= -MOST_UNITS) & (units <= MOST_UNITS)).all(axis=1), bool)


def _nearest(steps: npt.NDArray[np.int32], digits: int) -> F32:
    """The float32 nearest to so many steps; the same on every machine (IEEE 754 rounds both times)."""
    return (steps / 10.0**digits).astype(np.float32)


def _changes(steps: npt.NDArray[np.int32]) -> npt.NDArray[Any]:
    change = np.diff(steps, axis=1)
    found = ((change << 1) ^ (change >> 31)).view(np.uint32)
    return found.astype(np.uint16) if found.max(initial=0) < 1 << 16 else found
