"""What a leak adds to the air: methane, carbon dioxide, and both as CO2 equivalent under a named set of
factors.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hissmark.worth.media import Medium
from hissmark.worth.trace import Range


@dataclass(frozen=True, slots=True)
class WarmingSet:
    """A published set of global warming potentials over 100 years; carbon dioxide is 1.

    Attributes:
        methane: kg CO2e per kg methane. source: publication and year.
    """

    name: str
    methane: float
    source: str


WARMING = {
    s.name: s
    for s in (
        WarmingSet("AR6", 27.9, "IPCC AR6 WG1 (2021), chapter 7 supplement 7.SM, table 7.SM.7, 100 years"),
        WarmingSet("AR6 fossil", 29.8, "IPCC AR6 WG1 (2021), table 7.15, fossil methane, 100 years"),
        WarmingSet("AR6 non-fossil", 27.0, "IPCC AR6 WG1 (2021), table 7.15, non-fossil methane, 100 years"),
        WarmingSet("AR5", 28.0, "IPCC AR5 WG1 (2013), table 8.7, without climate-carbon feedback, 100 years"),
        WarmingSet("AR5 fossil", 30.0, "IPCC AR5 WG1 (2013), table 8.A.1, fossil methane, 100 years"),
    )
}
DEFAULT_WARMING = "AR6 fossil"

FLARE_EFFICIENCY = 0.98
"""Share of the gas that a flare burns: 98 %, as 40 CFR 98 subpart W takes it (from memory)."""


class Destination(StrEnum):
    """Where what passes the seat ends up."""

    ATMOSPHERE = "atmosphere"
    FLARE = "flare"
    PROCESS = "process"


@dataclass(frozen=True, slots=True)
class Factors:
    """kg per kg leaked: methane and carbon dioxide that reach the air, and CO2 equivalent of both."""

    methane: float
    carbon_dioxide: float
    equivalent: float


@dataclass(frozen=True, slots=True)
class Emissions:
    """Per year, kg; `warming` is the set that the equivalent was reckoned with."""

    methane_kg_year: Range
    carbon_dioxide_kg_year: Range
    equivalent_kg_year: Range
    warming: WarmingSet


def factors(medium: Medium, destination: Destination, warming: WarmingSet) -> Factors:
    """What one leaked kg puts into the air."""
    if destination is Destination.PROCESS:
        return Factors(0.0, 0.0, 0.0)
    burnt = FLARE_EFFICIENCY if destination is Destination.FLARE else 0.0
    methane = medium.methane * (1.0 - burnt)
    carbon_dioxide = medium.carbon_dioxide + burnt * medium.burnt_kg_kg
    return Factors(methane, carbon_dioxide, methane * warming.methane + carbon_dioxide)


def emissions(
    kg_year: Range, medium: Medium, destination: Destination, warming: WarmingSet
) -> Emissions | None:
    """Of a leak per year; None where the fluid has nothing that counts."""
    if not (medium.methane or medium.carbon_dioxide or medium.burnt_kg_kg):
        return None
    f = factors(medium, destination, warming)
    return Emissions(
        kg_year.times(f.methane), kg_year.times(f.carbon_dioxide), kg_year.times(f.equivalent), warming
    )
