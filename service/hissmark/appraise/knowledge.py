"""What is known for valuing leaks: measured leaks, assumptions and the register, as of one moment."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from hissmark.engine.register import Channel, Register
from hissmark.store.calibrations import Assumption, Calibration, standing
from hissmark.store.reader import Reader
from hissmark.worth.assumptions import Assumed, Assumptions, Origin
from hissmark.worth.calibrate import Fit, Point, fit
from hissmark.worth.flow import State
from hissmark.worth.media import MEDIA, Medium, medium_of
from hissmark.worth.power import SoundPower, sound_power
from hissmark.worth.prediction import UNKNOWN_PRESSURE_DECADES, Basis

MOST_SIMILAR = 60
"""Points of other valves that take part at most, the newest of them."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """A valve's regression and what it was made with. `used` are its points, own ones first."""

    fit: Fit | None
    basis: Basis
    used: tuple[Calibration, ...]


@dataclass(eq=False)
class Knowledge:
    """Points and assumptions that stood at one moment. Regressions are made when first asked for."""

    register: Register
    points: dict[str, list[Calibration]]
    of_valve: dict[str, dict[str, Assumed]]
    of_site: dict[str, Assumed]
    _fits: dict[tuple[str, str], Fitted] = field(default_factory=dict)

    @classmethod
    def of(
        cls, register: Register, calibrations: Iterable[Calibration], assumptions: Iterable[Assumption]
    ) -> Knowledge:
        points: dict[str, list[Calibration]] = {}
        for row in standing(calibrations):
            points.setdefault(row.valve, []).append(row)
        of_valve: dict[str, dict[str, Assumed]] = {}
        of_site: dict[str, Assumed] = {}
        for told in assumptions:  # oldest first: the newest stays
            into = of_site if told.valve is None else of_valve.setdefault(told.valve, {})
            origin = Origin.SITE if told.valve is None else Origin.VALVE
            into[told.name] = Assumed(
                told.name, told.text, origin, told.author, told.reason, told.recorded_us
            )
        return cls(register, points, of_valve, of_site)

    @classmethod
    def read(cls, register: Register, reader: Reader, until_us: int | None = None) -> Knowledge:
        """What was on record at a moment; None: all there is."""
        return cls.of(register, reader.calibrations(until_us=until_us), reader.assumptions(until_us=until_us))

    def assumptions(self, channel: Channel) -> Assumptions:
        """What holds for a valve."""
        medium = medium_of(channel.service)
        register = {"fluid": medium.name if medium else ""}
        return Assumptions.of(self.of_valve.get(channel.subject, {}), self.of_site, register)

    def fitted(self, channel: Channel, medium: Medium | None) -> Fitted:
        """The regression of a valve for a fluid: its own points of that phase, and those of similar
        valves.
        """
        key = (channel.subject, medium.name if medium else "")
        if key not in self._fits:
            self._fits[key] = self._fit(channel, medium)
        return self._fits[key]

    def has_other_phase(self, channel: Channel, medium: Medium | None) -> bool:
        """Whether the valve has points, but of another kind of fluid."""
        return bool(self.points.get(channel.subject)) and not self._own(channel, medium)

    def _fit(self, channel: Channel, medium: Medium | None) -> Fitted:
        own = self._own(channel, medium)
        similar = self._similar(channel, medium)[-MOST_SIMILAR:] if own else []
        powers = [p for row in own if (p := power_of(row)) is not None]
        usual_db = sum(p.level_db for p in powers) / len(powers) if powers else None
        if usual_db is None:  # the valve's own points know no pressures: those of others would not help
            similar = [row for row in similar if power_of(row) is None]
        made = fit([point_of(r, usual_db) for r in own], [point_of(r, usual_db) for r in similar])
        basis = Basis(frozenset(row.medium for row in own), frozenset(p.regime for p in powers))
        return Fitted(made, basis, (*own, *similar))

    def _own(self, channel: Channel, medium: Medium | None) -> list[Calibration]:
        rows = [r for r in self.points.get(channel.subject, []) if _phase_fits(r, medium)]
        exact = [r for r in rows if medium is not None and r.medium == medium.name]
        return exact or rows

    def _similar(self, channel: Channel, medium: Medium | None) -> list[Calibration]:
        """Points of valves of the same type with the same kind of fluid."""
        if not channel.valve_type:
            return []
        found = []
        for tag, rows in self.points.items():
            other = self.register.valves.get(tag)
            if other is not None and tag != channel.subject and other.valve_type == channel.valve_type:
                found += [r for r in rows if _phase_fits(r, medium)]
        return sorted(found, key=lambda r: r.at_us)


def _phase_fits(row: Calibration, medium: Medium | None) -> bool:
    known = MEDIA.get(row.medium)
    return medium is None or (known is not None and known.phase is medium.phase)


def state_of(row: Calibration) -> State | None:
    """The pressures of a point; None where they are not known."""
    if row.upstream_pa is None or row.downstream_pa is None:
        return None
    return State(row.upstream_pa, row.downstream_pa, row.temperature_k or 293.15)


def power_of(row: Calibration) -> SoundPower | None:
    """Sound power per flow at a point's pressures; None where they are not known."""
    medium, state = MEDIA.get(row.medium), state_of(row)
    return sound_power(medium, state) if medium is not None and state is not None else None


def point_of(row: Calibration, usual_db: float | None = None) -> Point:
    """A row as the regression takes it: the error of its level counts through the slope of the standards.

    Where its pressures are not known it is taken to have had the valve's usual sound power `usual_db`, and to
    be worse by what that may be off.
    """
    power = power_of(row)
    error = math.hypot(row.sd_decades, 0.1 * row.level_sd_db)
    if power is None:
        error = math.hypot(error, UNKNOWN_PRESSURE_DECADES)
    power_db = power.level_db if power is not None else usual_db or 0.0
    return Point(row.level_db, power_db, math.log10(row.rate_kg_s), error, row.valve)
