"""What people type, as SI: ``12 L/min``, ``7 barg``, ``3.1 scf/h``, ``27 bubbles/min``, ``20 degC``.

Conversions are pint's. Added here are only the words of the trade that it lacks: pressures over the
atmosphere, and volumes of gas at agreed conditions.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any

import pint

ATMOSPHERE_PA = 101_325.0
STANDARD_K = 288.15
NORMAL_K = 273.15
FEET_K = 288.70556  # 60 °F, as gas volumes in cubic feet are agreed in the trade


class UnitError(ValueError):
    """What was typed is no quantity of the kind that is wanted; the message says what would be."""


class FlowKind(StrEnum):
    """How a flow is stated."""

    MASS = "mass"
    VOLUME = "volume as it flows"
    AGREED = "volume at agreed conditions"
    COUNT = "count"


@dataclass(frozen=True, slots=True)
class Flow:
    """A flow in SI: kg/s, m3/s, or counts per second; `temperature_k`, `pressure_pa` of agreed conditions."""

    kind: FlowKind
    value: float
    counted: str = ""
    temperature_k: float = math.nan
    pressure_pa: float = math.nan


_QUANTITY = re.compile(r"^\s*([-+]?(?:\d[\d ]*\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")
_METRIC = r" ?(?P<volume>m3|m\^3|m³|cm3|cm³|L|l|mL|ml)(?P<rest>.*)$"
#: How agreed volumes are written, the volume where the writing says none, and the temperature at one
#: atmosphere.
_AGREED = (
    (re.compile(r"^s(?:td)?\.? ?(?:cf|ft3|ft\^3|ft³|cu\.? ?ft)(?P<rest>.*)$", re.I), "ft^3", FEET_K),
    (re.compile(r"^N" + _METRIC), "", NORMAL_K),
    (re.compile(r"^nl(?P<rest>.*)$"), "L", NORMAL_K),
    (re.compile(r"^(?:S|s|[Ss]td\.?)" + _METRIC), "", STANDARD_K),
)
_TWO_WAYS = re.compile(r"\d,\d{3}(?!\d)")
_SHORT_TIMES = {"h": "/h", "m": "/min", "s": "/s", "d": "/day"}
_WORDS = {
    "³": "^3", "m3": "m^3", "cc": "cm^3", "cm3": "cm^3", "mm3": "mm^3", "ft3": "ft^3",
    "°C": "degC", "°F": "degF",
}  # fmt: skip


@cache
def _registry() -> Any:
    registry: Any = pint.UnitRegistry()
    registry.define("MMBtu = 1e6 * Btu")
    return registry


def _split(text: str, wanted: str) -> tuple[float, str]:
    if _TWO_WAYS.search(text):
        raise UnitError(f"{text!r} can be read two ways: leave out the comma, or write a point for decimals.")
    match = _QUANTITY.match(text.replace(",", "."))
    if match is None or (not match[2] and wanted):
        raise UnitError(f"{text!r} is not a number with a unit. Write for instance: {wanted}")
    value = float(match[1].replace(" ", ""))
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is not a finite number.")
    return value, match[2]


def _si(value: float, unit: str, target: str, text: str, wanted: str) -> float:
    for word, meant in _WORDS.items():
        unit = re.sub(
            rf"(?<![A-Za-z^\d]){re.escape(word)}(?![\d^])" if word[0].isalpha() else word, meant, unit
        )
    try:
        return float(_registry().Quantity(value, unit).to(target).magnitude)
    except (pint.errors.PintError, ValueError, AttributeError, TypeError, AssertionError, ArithmeticError):
        raise UnitError(f"{text!r} is no {wanted}.") from None


def pressure_pa(text: str) -> float:
    """Absolute pressure in Pa. ``barg``, ``psig``, ``bar(g)``, ``kPag`` count from one atmosphere."""
    value, unit = _split(text, "7 barg, 100 psig, 8.01 bara")
    match = re.match(r"^(.*?)[ (]*(g|a|gauge|abs|absolute)\)?$", unit) if len(unit) > 3 else None
    plain, kind = (match[1], match[2][0]) if match else (unit, "")
    _si(1.0, plain, "Pa", text, "pressure. Write for instance: 7 barg, 100 psig, 8.01 bara")
    if not kind:
        raise UnitError(
            f"{text!r} does not say from where it counts: write {value:g} {unit}g or {value:g} {unit}a."
        )
    pascals = _si(value, plain, "Pa", text, "pressure. Write for instance: 7 barg, 100 psig, 8.01 bara")
    absolute = pascals + (ATMOSPHERE_PA if kind == "g" else 0.0)
    if absolute < 0.0:
        raise UnitError(f"{text!r} is below a perfect vacuum.")
    return absolute


def temperature_k(text: str) -> float:
    """Kelvin, from ``20 degC``, ``20 °C``, ``68 °F``, ``293 K``; a bare C or F is a temperature too."""
    value, unit = _split(text, "20 °C")
    unit = {"C": "degC", "F": "degF", "c": "degC", "f": "degF"}.get(unit, unit)
    kelvin = _si(value, unit, "K", text, "temperature. Write for instance: 20 °C")
    if kelvin <= 0.0:
        raise UnitError(f"{text!r} is below absolute zero.")
    return kelvin


def volume_m3(text: str) -> float:
    value, unit = _split(text, "350 mL")
    return _positive(_si(value, unit, "m^3", text, "volume. Write for instance: 350 mL, 1.2 m3"), text)


def duration_s(text: str) -> float:
    value, unit = _split(text, "5 min")
    return _positive(_si(value, unit, "s", text, "time. Write for instance: 90 s, 5 min, 2 h"), text)


def length_m(text: str) -> float:
    value, unit = _split(text, "100 mm")
    return _positive(_si(value, unit, "m", text, "length. Write for instance: 100 mm, 4 in"), text)


_FLOWS = "12 L/min, 3.4 kg/h, 5 Nm3/h, 3.1 scfh, 350 mL in 5 min, 27 bubbles/min"


_COLLECTED = re.compile(r"^\s*(.+?)\s+in\s+(\d.*)$")


def _per_second(amount: str, time_s: float) -> str:
    value, unit = _split(amount, "350 mL")
    return f"{value / time_s!r} {unit}/s"


def flow(text: str) -> Flow:
    """A leak as it was measured. Raises UnitError with examples."""
    collected = _COLLECTED.match(text)
    if collected:  # so much in so long
        return flow(f"{_per_second(collected[1], duration_s(collected[2]))}")
    value, unit = _split(text, _FLOWS)
    _positive(value, text)
    counted = re.match(r"^(bubble|drop)s?\s*(/|per)\s*(\w+)$", unit)
    if counted:
        per_s = value / _si(1.0, counted[3], "s", text, f"flow. Write for instance: {_FLOWS}")
        return Flow(FlowKind.COUNT, per_s, counted[1])
    for pattern, volume, kelvin in _AGREED:
        match = pattern.match(unit)
        if match:
            rest = _SHORT_TIMES.get(match["rest"].strip(), match["rest"])
            plain = f"{volume or match['volume']}{rest}"
            m3_s = _si(value, plain, "m^3/s", text, f"flow. Write for instance: {_FLOWS}")
            return Flow(FlowKind.AGREED, m3_s, "", kelvin, ATMOSPHERE_PA)
    for target, kind in (("kg/s", FlowKind.MASS), ("m^3/s", FlowKind.VOLUME)):
        try:
            return Flow(kind, _si(value, unit, target, text, "flow"))
        except UnitError:
            continue
    raise UnitError(f"{text!r} is no flow. Write for instance: {_FLOWS}")


def number(text: str, example: str) -> float:
    """A number without a unit."""
    value, unit = _split(text, "")
    if unit:
        raise UnitError(f"{text!r} is not a plain number. Write for instance: {example}")
    return value


def density_kg_m3(text: str) -> float:
    value, unit = _split(text, "870 kg/m3")
    return _positive(_si(value, unit, "kg/m^3", text, "density. Write for instance: 870 kg/m3"), text)


def molar_kg(text: str) -> float:
    value, unit = _split(text, "18.2 g/mol")
    return _positive(_si(value, unit, "kg/mol", text, "molar mass. Write for instance: 18.2 g/mol"), text)


def energy_j(text: str) -> float:
    value, unit = _split(text, "1 kWh")
    return _positive(_si(value, unit, "J", text, "energy. Write for instance: 1 kWh, 1 GJ"), text)


def is_energy(unit: str) -> bool:
    """Whether a unit is one of energy."""
    try:
        energy_j(f"1 {unit}")
    except UnitError:
        return False
    return True


def share(text: str) -> float:
    """``10 %`` as 0.1."""
    value, unit = _split(text, "10 %")
    if unit not in ("%", "percent"):
        raise UnitError(f"{text!r} is no percentage. Write for instance: 10 %")
    return value / 100.0


def _positive(value: float, text: str) -> float:
    if value <= 0.0:
        raise UnitError(f"{text!r} must be more than nothing.")
    return value
