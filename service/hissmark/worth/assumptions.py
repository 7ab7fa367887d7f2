"""What is assumed when a leak is valued: named, as typed, with where each comes from. All shown, all
editable.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from hissmark.worth import units
from hissmark.worth.emissions import DEFAULT_WARMING, WARMING, Destination
from hissmark.worth.measure import mass_flow
from hissmark.worth.media import MEDIA, Medium, density, medium_of, with_shares
from hissmark.worth.money import HOUR_S, YEAR_H, heat_of
from hissmark.worth.units import UnitError


class Origin(StrEnum):
    """Where an assumption comes from; the first that there is counts."""

    VALVE = "stated for this valve"
    SITE = "stated for the site"
    REGISTER = "register"
    USUAL = "usual, not stated"
    NONE = "not known"


@dataclass(frozen=True, slots=True)
class Assumed:
    """One assumption in force. `text` is as it was typed; empty if there is none."""

    name: str
    text: str
    origin: Origin
    author: str = ""
    reason: str = ""
    recorded_us: int = 0


@dataclass(frozen=True, slots=True)
class Kind:
    """What may be assumed.

    Attributes:
        meaning: for people. usual: taken where nobody says; empty: not known then.
        check: raises UnitError if a text is no such thing.
    """

    name: str
    meaning: str
    example: str
    usual: str
    check: Callable[[str], object]


def _known(choices: Iterable[str], what: str) -> Callable[[str], str]:
    listed = tuple(choices)

    def check(text: str) -> str:
        found = next((c for c in listed if c.lower() == " ".join(text.lower().split())), None)
        if found is None:
            raise UnitError(f"{text!r} is no {what}. These are: {', '.join(listed)}.")
        return found

    return check


def fluid(text: str) -> Medium:
    """The fluid called so. Raises UnitError that lists them."""
    found = medium_of(text)
    if found is None:
        raise UnitError(f"{text!r} is no fluid that is known. Known are: {', '.join(MEDIA)}.")
    return found


def _hours(text: str) -> float:
    plain = re.sub(r"\s*h(ours)?(\s*/\s*(a|year|yr))?$", "", text.strip())
    value = units.number(plain, "8000 h")
    if not 0.0 < value <= 8784.0:
        raise UnitError(f"{text!r}: a year has 8760 hours. Write for instance: 8000 h")
    return value


def _share(text: str) -> float:
    value = units.share(text)
    if not 0.0 <= value <= 1.0:
        raise UnitError(f"{text!r} is not between 0 and 100 %.")
    return value


def _flow_coefficient(text: str) -> float:
    """Kv in m3/h; ``Cv 50`` is converted (Kv = 0.865 Cv)."""
    match = re.match(r"^\s*(kv|cv)?\s*([\d.,]+)\s*(m3/h)?\s*$", text, re.I)
    if match is None or units.number(match[2], "160") <= 0.0:
        raise UnitError(f"{text!r} is no flow coefficient. Write for instance: Kv 160, or Cv 185")
    value = units.number(match[2], "160")
    return value * 0.865 if (match[1] or "").lower() == "cv" else value


@dataclass(frozen=True, slots=True)
class Money:
    """An amount, and per what: empty for an amount as such."""

    amount: float
    currency: str
    per: str = ""


_MONEY = re.compile(
    r"^\s*(?:(?P<before>[A-Z]{3}|[€$£¥])\s*)?(?P<amount>[\d.,' ]*\d)\s*(?P<after>[A-Z]{3}|[€$£¥])?"
    r"\s*(?:(?:/|per)\s*(?P<per>.+?))?\s*$"
)


def money(text: str) -> Money:
    """``0.45 EUR/kg``, ``€ 28 per t``, ``2400 EUR``."""
    match = _MONEY.match(text)
    currency = match and (match["before"] or match["after"])
    if match is None or not currency:
        raise UnitError(f"{text!r} is no money. Write for instance: 0.45 EUR/kg, 0.06 EUR/kWh, 2400 EUR")
    amount = units.number(match["amount"].replace("'", "").replace(" ", ""), "0.45 EUR/kg")
    return Money(amount, currency, match["per"] or "")


def _price(text: str) -> Money:
    found = money(text)
    if not found.per:
        raise UnitError(f"{text!r} does not say per what. Write for instance: 0.45 EUR/kg, 0.06 EUR/kWh")
    price_per_kg(found, MEDIA["methane"], None)
    return found


def _amount(text: str) -> Money:
    found = money(text)
    if found.per:
        raise UnitError(f"{text!r} is a price, not an amount. Write for instance: 2400 EUR")
    return found


def price_per_kg(price: Money, medium: Medium, upstream_pa: float | None) -> float:
    """Per kg of a fluid: priced by mass, by volume (as it flows, or at agreed conditions), or by heat."""
    if units.is_energy(price.per):
        return price.amount * heat_of(medium, upstream_pa) / units.energy_j(f"1 {price.per}")
    flow = units.flow(f"1 {price.per}/h")
    if medium.phase == "steam" and flow.kind is not units.FlowKind.MASS:
        raise UnitError("Steam is priced by mass or by heat here: 28 EUR/t, 0.06 EUR/kWh.")
    return price.amount / (mass_flow(flow, medium, {})[0] * HOUR_S)


KINDS = {
    k.name: k
    for k in (
        Kind("fluid", "what flows through it", "natural gas", "", fluid),
        Kind("upstream", "pressure before it, where no tag tells", "31 barg", "", units.pressure_pa),
        Kind("downstream", "pressure behind it, where no tag tells", "0.2 barg", "0 barg", units.pressure_pa),
        Kind("pressure tags", "whether the pressure tags count from the atmosphere", "gauge", "gauge",
             _known(("gauge", "absolute"), "way of counting")),
        Kind("temperature", "of the fluid before it (not of steam)", "20 °C", "20 °C", units.temperature_k),
        Kind("density", "of a liquid, where not as listed", "870 kg/m3", "", units.density_kg_m3),
        Kind("molar mass", "of a gas, where not as listed", "18.2 g/mol", "", units.molar_kg),
        Kind("methane", "share of the mass", "90 %", "", _share),
        Kind("carbon dioxide", "share of the mass", "1 %", "", _share),
        Kind("price", "of the fluid lost", "0.45 EUR/kg", "", _price),
        Kind("hours", "under pressure in a year", "8000 h", f"{YEAR_H:.0f} h", _hours),
        Kind("repair", "what a repair costs", "2400 EUR", "", _amount),
        Kind("destination", "where what passes ends up", "flare", Destination.ATMOSPHERE.value,
             _known(Destination, "destination")),
        Kind("warming", "set of global warming potentials", "AR6 fossil", DEFAULT_WARMING,
             _known(WARMING, "set of factors")),
        Kind("flow coefficient", "of the valve when open", "Kv 160", "", _flow_coefficient),
        Kind("seat class", "what the seat has to keep", "IV", "", lambda text: text),
    )
}  # fmt: skip
"""Everything that may be assumed, in the order in which it is shown."""


def checked(name: str, text: str) -> str:
    """The text of an assumption, without blanks around it. Raises UnitError if it cannot be."""
    kind = KINDS.get(name)
    if kind is None:
        raise UnitError(f"{name!r} is nothing that can be assumed. These can: {', '.join(KINDS)}.")
    if text.strip():
        kind.check(text.strip())
    return text.strip()


class Assumptions:
    """What holds for one valve. Reading a value that is not known gives None."""

    def __init__(self, rows: Iterable[Assumed]) -> None:
        self.rows = {row.name: row for row in rows}

    @classmethod
    def of(
        cls, valve: Mapping[str, Assumed], site: Mapping[str, Assumed], register: Mapping[str, str]
    ) -> Assumptions:
        """From what is on record of the valve and of the site, and from the register."""
        return cls(_first(kind, valve, site, register) for kind in KINDS.values())

    def text(self, name: str) -> str:
        return self.rows[name].text

    def _read(self, name: str) -> object | None:
        text = self.text(name)
        return KINDS[name].check(text) if text else None

    def number(self, name: str) -> float | None:
        """SI value of a quantity."""
        found = self._read(name)
        return found if isinstance(found, float) else None

    def amount(self, name: str) -> Money | None:
        found = self._read(name)
        return found if isinstance(found, Money) else None

    @property
    def medium(self) -> Medium | None:
        """What flows, with the site's own figures of it; None if it is not known."""
        found = medium_of(self.text("fluid"))
        if found is None:
            return None
        found = with_shares(found, self.number("methane"), self.number("carbon dioxide"))
        own_density, own_molar = self.number("density"), self.number("molar mass")
        if own_density is not None and found.is_liquid:
            found = replace(found, density_kg_m3=own_density)
        if own_molar is not None and not found.is_liquid:
            found = replace(found, molar_kg=own_molar)
        return found

    @property
    def hours_year(self) -> float:
        return self.number("hours") or YEAR_H

    @property
    def currency(self) -> str:
        """That of the price, else of the repair; empty if neither is known."""
        found = self.amount("price") or self.amount("repair")
        return found.currency if found else ""

    def price_kg(self, medium: Medium, upstream_pa: float | None) -> float | None:
        """Per kg; None without a price, or with one that does not fit the fluid."""
        price = self.amount("price")
        try:
            found = None if price is None else price_per_kg(price, medium, upstream_pa)
        except UnitError:
            return None
        return found

    @property
    def repair_cost(self) -> float | None:
        """In the currency of the price; None if it is another's."""
        found = self.amount("repair")
        return found.amount if found is not None and found.currency == self.currency else None


def _first(
    kind: Kind, valve: Mapping[str, Assumed], site: Mapping[str, Assumed], register: Mapping[str, str]
) -> Assumed:
    for rows in (valve, site):
        if kind.name in rows and rows[kind.name].text:
            return rows[kind.name]
    if register.get(kind.name):
        return Assumed(kind.name, register[kind.name], Origin.REGISTER)
    return Assumed(kind.name, kind.usual, Origin.USUAL if kind.usual else Origin.NONE)


def density_at_standard(medium: Medium) -> float:
    """kg/m3 at 20 °C and one atmosphere; of a gas or a liquid."""
    return density(medium, units.ATMOSPHERE_PA, 293.15)
