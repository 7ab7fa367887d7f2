"""What a leak loses: mass, money, energy and emissions per hour, year and since it began; when a repair
pays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hissmark.worth.media import Medium, Phase, steam_enthalpy
from hissmark.worth.trace import Range

HOUR_S = 3600.0
YEAR_H = 8760.0
DAYS = 365.0
J_PER_KWH = 3.6e6

FEED_WATER_J_KG = 334.9e3
"""Enthalpy of feed water at 80 °C (IAPWS-95, saturated): what the boiler does not have to bring."""


@dataclass(frozen=True, slots=True)
class Loss:
    """A rate as what it costs. Money in the site's currency, None without a price.

    Attributes:
        kg_h, kg_year: mass. money_h, money_year: at the price. kwh_h: energy carried away.
        repair: what a repair costs; pay_back_days: after how long it has paid for itself.
    """

    kg_h: Range
    kg_year: Range
    kwh_h: Range | None
    money_h: Range | None
    money_year: Range | None
    pay_back_days: Range | None


def heat_of(medium: Medium, upstream_pa: float | None) -> float:
    """J/kg that leaves with the fluid: what it would burn to, or of steam what the boiler put in."""
    if medium.phase is Phase.STEAM:
        return steam_enthalpy(upstream_pa or 10e5) - FEED_WATER_J_KG
    return medium.heat_j_kg


def loss(
    rate_kg_s: Range, hours_year: float, price_kg: float | None, heat_j_kg: float, repair: float | None
) -> Loss:
    """What `rate_kg_s` loses while under pressure `hours_year` hours a year."""
    kg_h = rate_kg_s.times(HOUR_S)
    money_h = kg_h.times(price_kg) if price_kg is not None else None
    money_year = money_h.times(hours_year) if money_h is not None else None
    pay_back = money_year.inverted(repair * DAYS) if money_year is not None and repair is not None else None
    energy = kg_h.times(heat_j_kg / J_PER_KWH) if heat_j_kg > 0.0 else None
    return Loss(kg_h, kg_h.times(hours_year), energy, money_h, money_year, pay_back)


def pays(pay_back: Range | None) -> str:
    """When a repair pays, in words; empty where nobody can tell."""
    if pay_back is None or math.isinf(pay_back.middle):
        return ""
    return (
        "within the year"
        if pay_back.high <= DAYS
        else "not within a year"
        if pay_back.low > DAYS
        else "perhaps"
    )
