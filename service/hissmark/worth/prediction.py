"""The rate of a valve from its level: an estimate with its interval, an upper limit, or why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from hissmark.signal.levels import RESOLVABLE_DIFFERENCE_DB, leak_only
from hissmark.worth.calibrate import F64, Fit, Spread
from hissmark.worth.flow import State
from hissmark.worth.media import Medium
from hissmark.worth.power import Regime, SoundPower, sound_power
from hissmark.worth.trace import Range, Step, figure

WITHIN_DB = 3.0
"""Beyond the calibrated levels by more than this, the answer says so."""
REFUSE_DB = 15.0
"""Beyond them by more than this (a factor of 30 in rate), there is no answer."""

OTHER_GAS_DECADES = 0.2
OTHER_REGIME_DECADES = 0.15
UNKNOWN_PRESSURE_DECADES = 0.15
"""Standard deviations added where a point was taken with another gas, in another regime of flow, or where the
pressures of now are not known: 4, 3 and 3 dB at 95 %. Judgement, no source; the page shows them."""

LEVEL_SD_DB = 0.3
"""Error of a floor over its window."""

LOW, MIDDLE, HIGH = 0.05, 0.5, 0.95


class Status(StrEnum):
    """What can be said of a rate."""

    ESTIMATED = "estimated"
    AT_MOST = "at most"
    NO_CALIBRATION = "no calibration"
    OTHER_FLUID = "other fluid"
    OUT_OF_RANGE = "out of range"
    NO_LEVEL = "no level"
    NO_DIFFERENCE = "no pressure difference"
    NO_FLUID = "fluid not known"


NEEDS: dict[Status, str] = {
    Status.ESTIMATED: "",
    Status.AT_MOST: "It is not the source of what is heard, or less than 3 dB stand out: only an upper "
    "limit.",
    Status.NO_CALIBRATION: "No leak of this valve has been measured yet. One measured leak with the "
    "level at that time gives a rate; three give one that can be trusted further.",
    Status.OTHER_FLUID: "Its measured leaks are of another kind of fluid. Measure one with the fluid of now.",
    Status.OUT_OF_RANGE: f"The level is more than {REFUSE_DB:g} dB away from every measured leak. "
    "Measure one nearer to it.",
    Status.NO_LEVEL: "No level of a leak stands out now: there is nothing to reckon with.",
    Status.NO_DIFFERENCE: "There is no pressure difference across it: nothing flows or can be heard.",
    Status.NO_FLUID: "It is not known what flows through it. State the fluid on the valve's page, or in the "
    "register's column service.",
}
"""What is missing, in one sentence, for whoever wants a number."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is heard of a valve: dB. None where it is not known.

    `blamed`: the judgement takes it for the source. If not, what is heard may be another's sound, and bounds
    the valve's own leak from above only.
    """

    level_db: float | None
    baseline_db: float | None
    scale_db: float | None = None
    blamed: bool = True


@dataclass(frozen=True, eq=False, slots=True)
class Estimate:
    """A rate, or why there is none.

    Attributes:
        rate_kg_s: with its 90 % interval; None unless `status` is estimated or at most (then only `high`
        counts).
        spread: the whole distribution, for probabilities; None likewise.
        leak_db: leak-only level. power: what the standards expect at the pressures.
        notes: what widens it and what to bear in mind. steps: where it comes from.
    """

    status: Status
    rate_kg_s: Range | None = None
    spread: Spread | None = None
    leak_db: float | None = None
    power: SoundPower | None = None
    notes: tuple[str, ...] = ()
    steps: tuple[Step, ...] = field(default=())

    @property
    def needs(self) -> str:
        """What is missing; empty for an estimate."""
        return NEEDS[self.status]


@dataclass(frozen=True, slots=True)
class Basis:
    """What a fit was made with, beside its levels.

    Attributes:
        media: names of the fluids of the valve's own points. regimes: of their flow; empty where none of them
            knows its pressures, and those of now do not help.
    """

    media: frozenset[str]
    regimes: frozenset[Regime]


def level_error_db(rise_db: F64, scale_db: F64) -> F64:
    """Standard deviation of a leak-only level, dB: errors grow as level and background come near each other.

    With D the rise, a = 1 / (1 - 10^(-D/10)): the level's error counts a times, the background's a - 1 times.
    """
    a = 1.0 / -np.expm1(-np.maximum(rise_db, 0.5) * math.log(10.0) / 10.0)
    return np.asarray(np.hypot(a * LEVEL_SD_DB, (a - 1.0) * scale_db))


def estimate(
    fit: Fit | None, basis: Basis, heard: Heard, medium: Medium | None, state: State | None
) -> Estimate:
    """The rate now. `state` None: pressures not known. `medium` None: not known what flows."""
    if fit is None:
        return Estimate(Status.NO_CALIBRATION, leak_db=_resolved(heard))
    if medium is None:
        return Estimate(Status.NO_FLUID, leak_db=_resolved(heard))
    if state is not None and state.difference_pa <= 0.0:
        return Estimate(Status.NO_DIFFERENCE)
    leak_db, error_db, resolvable = _leak(heard)
    if leak_db is None:
        return Estimate(Status.NO_LEVEL)
    power = sound_power(medium, state) if state is not None and basis.regimes else None
    return _from_level(fit, basis, medium, (leak_db, error_db, resolvable and heard.blamed), power, state)


def _from_level(
    fit: Fit, basis: Basis, medium: Medium, level: tuple[float, float, bool], power: SoundPower | None,
    state: State | None,
) -> Estimate:  # fmt: skip
    leak_db, error_db, resolvable = level
    power_db = power.level_db if power is not None else fit.usual_power_db
    away_db = outside_db(fit, leak_db - power_db)
    if away_db > REFUSE_DB and not (leak_db - power_db < fit.own_levels_db[0] and not resolvable):
        return Estimate(Status.OUT_OF_RANGE, leak_db=leak_db, power=power)
    extra, notes = widening(basis, medium, power)
    if away_db > WITHIN_DB:
        notes.append(f"{figure(away_db)} dB outside the measured leaks: the interval widens with it.")
    spread = fit.predict(leak_db, power_db, error_db).widened(extra)
    low, middle, high = (10.0 ** float(spread.quantile(p)[0]) for p in (LOW, MIDDLE, HIGH))
    status = Status.ESTIMATED if resolvable else Status.AT_MOST
    rate = Range(low, middle, high) if resolvable else Range(0.0, high, high)
    steps = _steps(fit, level, power, state, medium)
    return Estimate(status, rate, spread, leak_db, power, tuple(notes), steps)


def widening(basis: Basis, medium: Medium, power: SoundPower | None) -> tuple[float, list[str]]:
    """Standard deviation to add, decades, and why."""
    extra, notes = 0.0, []
    if medium.name not in basis.media:
        extra = math.hypot(extra, OTHER_GAS_DECADES)
        notes.append(
            f"Measured with {', '.join(sorted(basis.media))}, not {medium.name}: the interval is wider."
        )
    if power is None:
        extra = math.hypot(extra, UNKNOWN_PRESSURE_DECADES)
        notes.append("The pressures of now, or of the measured leaks, are not known: taken to be the same.")
    elif basis.regimes and power.regime.choked not in {r.choked for r in basis.regimes}:
        extra = math.hypot(extra, OTHER_REGIME_DECADES)
        notes.append(
            f"The flow is {power.regime.value}, unlike at the measured leaks: the interval is wider."
        )
    return extra, notes


def outside_db(fit: Fit, adjusted_db: float) -> float:
    """How far a power-adjusted level is from the range of the valve's own points, dB."""
    low, high = fit.own_levels_db
    return max(low - adjusted_db, adjusted_db - high, 0.0)


def _resolved(heard: Heard) -> float | None:
    """Leak-only level, None where less than 3 dB stand out."""
    level, _, resolvable = _leak(heard)
    return level if resolvable else None


def _leak(heard: Heard) -> tuple[float | None, float, bool]:
    """Leak-only level (an upper limit where not resolvable), its error, whether it is resolvable."""
    if heard.level_db is None or heard.baseline_db is None:
        return None, 0.0, False
    leak, resolvable = leak_only(heard.level_db, heard.baseline_db)
    if not math.isfinite(float(leak)):
        return None, 0.0, False
    rise = max(heard.level_db - heard.baseline_db, RESOLVABLE_DIFFERENCE_DB)
    error = level_error_db(np.array([rise]), np.array([heard.scale_db or 0.5]))
    return float(leak), float(error[0]), bool(resolvable)


def _steps(
    fit: Fit, level: tuple[float, float, bool], power: SoundPower | None, state: State | None, medium: Medium
) -> tuple[Step, ...]:
    leak_db, error_db, _ = level
    slope, slope_sd = fit.slope
    rows = [
        Step(
            "leak alone",
            f"{leak_db:.1f} ± {2 * error_db:.1f} dB",
            "level less background, as powers (ISO 3744)",
        ),
    ]
    if state is not None and power is not None:
        said = f"{state.upstream_pa / 1e5:.3g} to {state.downstream_pa / 1e5:.3g} bar absolute"
        rows.append(Step("pressures", said, f"{medium.name} at {state.temperature_k - 273.15:.0f} °C"))
        part = "8-4" if medium.is_liquid else "8-3"
        how = f"IEC 60534-{part}: {power.regime.value}; only differences to the measured leaks count"
        rows.append(Step("sound power per flow", f"{power.level_db:.1f} dB re 1 W s/kg", how))
    rows += [
        Step("rate per level", f"{figure(10 * slope)} ± {figure(20 * slope_sd)} decades per 10 dB",
             f"{fit.own} measured {'leak' if fit.own == 1 else 'leaks'} of this valve, "
             f"{len(fit.points) - fit.own} of similar ones, from 1 decade per 10 dB before any"),
        Step("scatter about it", f"{figure(10 * fit.scatter_decades)} dB", "1.2 dB before any point"),
    ]  # fmt: skip
    return tuple(rows)
