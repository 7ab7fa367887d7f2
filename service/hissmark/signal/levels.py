"""Decibel arithmetic: adding levels, taking the background off a level, volts to decibels.

A level is ten times the common logarithm of a power ratio. Powers of incoherent sources add, so levels are
added, averaged and subtracted as powers, never as decibels. Everything here is elementwise or reduces one
axis, keeps float32 as float32 (anything else becomes float64) and stays silent on NaN (no data) and
-inf dB (no power at all).

The background rule follows ISO 3744 / ISO 3746: the corrected level is ``L - K1`` with
``K1 = -10 lg(1 - 10^(-0.1 D))`` and D the level with the source minus the level without. ISO 3746 accepts
D down to 3 dB; below that K1 stays at its value for 3 dB and the result is only an upper limit.
"""

from __future__ import annotations

import math
from typing import Any, TypeAlias, cast

import numpy as np
import numpy.typing as npt

Levels: TypeAlias = npt.NDArray[np.floating[Any]]
"""Levels in dB, float32 or float64, any shape."""

Flags: TypeAlias = npt.NDArray[np.bool_]

RESOLVABLE_DIFFERENCE_DB = 3.0
"""Smallest level over background whose difference is believed (ISO 3746, survey grade)."""

LIMIT_CORRECTION_DB = -10.0 * math.log10(1.0 - 10.0 ** (-0.1 * RESOLVABLE_DIFFERENCE_DB))
"""K1 at 3 dB, 3.0206 dB: the largest correction that is ever taken off a level."""

_NEPER_PER_DB = math.log(10.0) / 10.0  # natural logarithm of a power ratio, per dB


def as_levels(values: npt.ArrayLike) -> Levels:
    """Return `values` as a float array: float32 stays float32, everything else becomes float64."""
    array = np.asarray(values)
    if array.dtype == np.float32 or array.dtype == np.float64:
        return cast(Levels, array)
    return array.astype(np.float64)


def power_of_level(level_db: npt.ArrayLike) -> Levels:
    """Power relative to the reference: ``10^(L/10)``. -inf dB gives 0, NaN stays NaN."""
    with np.errstate(over="ignore", under="ignore"):
        return cast(Levels, np.asarray(np.exp(as_levels(level_db) * _NEPER_PER_DB)))


def level_of_power(power: npt.ArrayLike) -> Levels:
    """Level in dB of a power relative to the reference: ``10 lg p``. 0 gives -inf, a negative power NaN."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return cast(Levels, np.asarray(10.0 * np.log10(as_levels(power))))


def add_levels(levels_db: npt.ArrayLike, axis: int = -1) -> Levels:
    """Level of several incoherent sources together: ``10 lg(sum of 10^(Li/10))`` along `axis`, in dB.

    NaN counts as silence, -inf is silence. A row with nothing but NaN, or with no element, is NaN: nothing
    is known about it. The largest level is taken out before the powers are formed, so that neither very
    high nor very low levels leave the range of float32.
    """
    levels = as_levels(levels_db)
    known = ~np.isnan(levels)
    silence = np.asarray(-np.inf, levels.dtype)
    filled = np.where(known, levels, silence)
    peak = filled.max(axis=axis, keepdims=True, initial=-np.inf)
    anchor = np.where(np.isfinite(peak), peak, np.zeros_like(peak))
    total = power_of_level(filled - anchor).sum(axis=axis)
    summed = level_of_power(total) + np.squeeze(anchor, axis=axis)
    return np.where(known.any(axis=axis), summed, np.asarray(np.nan, levels.dtype))


def mean_level(levels_db: npt.ArrayLike, axis: int = -1) -> Levels:
    """Energy mean of levels along `axis`, in dB (the level of the mean power, as in Leq).

    NaN is left out of the mean, -inf counts as zero power. Nothing but NaN gives NaN.
    """
    levels = as_levels(levels_db)
    count = np.asarray((~np.isnan(levels)).sum(axis=axis), dtype=levels.dtype)
    return cast(Levels, np.asarray(add_levels(levels, axis) - level_of_power(np.maximum(count, 1))))


def background_correction_db(difference_db: npt.ArrayLike) -> Levels:
    """K1 in dB to take off a level that stands `difference_db` above the background (no validity rule).

    ``K1 = -10 lg(1 - 10^(-0.1 D))``; at or below the background there is nothing to correct: +inf.
    """
    difference = as_levels(difference_db)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # expm1 keeps the digits for small differences, log1p those for large ones
        small = -10.0 * np.log10(-np.expm1(-difference * _NEPER_PER_DB))
        large = -np.log1p(-np.exp(-difference * _NEPER_PER_DB)) / _NEPER_PER_DB
        correction = np.where(difference > RESOLVABLE_DIFFERENCE_DB, large, small)
    infinite = np.asarray(np.inf, difference.dtype)
    return np.where(difference <= 0.0, infinite, correction)


def leak_only(level_db: npt.ArrayLike, baseline_db: npt.ArrayLike) -> tuple[Levels, Flags]:
    """Level of the leak alone, in dB: the power of `level_db` less that of `baseline_db` (they broadcast).

    Returns ``(leak_db, resolvable)``:

    * level at least 3 dB over the baseline: the energy difference, resolvable;
    * between 0 and 3 dB: an upper limit, level - 3.02 dB, not resolvable;
    * at or below the baseline: -inf (no power is left over, and it adds as none), not resolvable;
    * level or baseline NaN: NaN, not resolvable.

    The three pieces join without a step at 3 dB. A baseline of -inf gives the level itself.
    """
    level, baseline = as_levels(level_db), as_levels(baseline_db)
    with np.errstate(invalid="ignore"):
        difference = np.asarray(level - baseline)
        over = level > baseline
        correction = np.minimum(
            background_correction_db(difference), difference.dtype.type(LIMIT_CORRECTION_DB)
        )
        leak = np.where(over, level - correction, np.asarray(-np.inf, difference.dtype))
    unknown = np.isnan(level) | np.isnan(baseline)
    leak = np.where(unknown, np.asarray(np.nan, difference.dtype), leak)
    return leak, np.asarray(over & (difference >= RESOLVABLE_DIFFERENCE_DB))


def level_of_voltage(rms_v: npt.ArrayLike, reference_v: float) -> Levels:
    """Level in dB of an RMS voltage: ``20 lg(V / V_ref)``; both in volts. 0 V gives -inf, a negative RMS NaN.

    With a reference of 1 µV at the sensor, before amplification, this is dB_AE.
    """
    if not (math.isfinite(reference_v) and reference_v > 0.0):
        raise ValueError(f"the reference voltage must be a positive number of volts, not {reference_v!r}")
    with np.errstate(divide="ignore", invalid="ignore"):
        return cast(Levels, np.asarray(20.0 * np.log10(as_levels(rms_v) / reference_v)))
