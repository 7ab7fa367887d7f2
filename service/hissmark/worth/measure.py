"""A measured leak as mass per time: flow meter, bubbles, collected volume, pressure decay."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from hissmark.worth import units
from hissmark.worth.media import Medium, R, compressibility, density
from hissmark.worth.trace import Step, figure
from hissmark.worth.units import ATMOSPHERE_PA, Flow, FlowKind, UnitError

MEASURING_K = 293.15
"""Temperature at which a volume is measured where nobody says: 20 °C."""

BUBBLE_M3 = 0.15e-6
"""FCI 70-2 table of class VI: 1 bubble/min is 0.15 mL/min, from a tube of 6 mm outside, 1 mm wall."""

DROP_M3 = 0.0625e-6
"""API 598 and ISO 5208: 16 drops are 1 mL."""


class Method(StrEnum):
    """How the leak was measured."""

    FLOW_METER = "flow meter"
    BUBBLES = "bubble count"
    DROPS = "drop count"
    COLLECTED = "collected volume"
    DECAY = "pressure decay"
    TAGS = "process tags"


#: Half-width of the 95 % interval, as a share, where nobody says: common practice, no source.
USUAL_SHARE = {
    Method.FLOW_METER: 0.05,
    Method.BUBBLES: 0.30,
    Method.DROPS: 0.20,
    Method.COLLECTED: 0.10,
    Method.DECAY: 0.15,
    Method.TAGS: 0.20,
}


@dataclass(frozen=True, slots=True)
class Measured:
    """A leak on the scales.

    Attributes:
        rate_kg_s: mass per time. sd_decades: its standard deviation as log10.
        steps: how it came about, from what was typed.
    """

    method: Method
    rate_kg_s: float
    sd_decades: float
    steps: tuple[Step, ...]


def measured(typed: Mapping[str, str], medium: Medium) -> Measured:
    """The leak from what was typed: `leak`, or `volume`, `from`, `to`, `during` of a pressure decay;
    `measured_at_temperature`, `measured_at_pressure`, `bubble`, `drop`, `uncertainty`, `method` besides.
    Raises UnitError that says what is wrong.
    """
    if "leak" in typed:
        method, rate, steps = _stated(typed, medium)
    elif "decay_volume" in typed:
        method, (rate, steps) = Method.DECAY, _decay(typed, medium)
    else:
        raise UnitError("A point needs the measured leak, or volume, pressures and time of a pressure decay.")
    half, said = _uncertainty(typed, method)
    # Half of the 95 % interval is two standard deviations; on the logarithm, so that it stays positive.
    sd = math.log10(1.0 + half) / 2.0
    return Measured(method, rate, sd, (*steps, Step("its uncertainty (95 %)", f"± {100 * half:.3g} %", said)))


def _stated(typed: Mapping[str, str], medium: Medium) -> tuple[Method, float, tuple[Step, ...]]:
    flow = units.flow(typed["leak"])
    method = _method(typed, flow)
    rate, how = mass_flow(flow, medium, typed)
    return method, rate, (Step("measured leak", typed["leak"], method.value), _as_mass(rate, how))


def _method(typed: Mapping[str, str], flow: Flow) -> Method:
    if typed.get("method"):
        try:
            return Method(typed["method"])
        except ValueError:
            known = ", ".join(Method)
            raise UnitError(f"{typed['method']!r} is no way of measuring. These are: {known}.") from None
    counted = {"bubble": Method.BUBBLES, "drop": Method.DROPS}
    usual = Method.COLLECTED if " in " in typed["leak"] else Method.FLOW_METER
    return counted.get(flow.counted, usual)


def mass_flow(flow: Flow, medium: Medium, typed: Mapping[str, str]) -> tuple[float, str]:
    """kg/s of a flow, and how it was reckoned."""
    if flow.kind is FlowKind.MASS:
        return flow.value, "as stated"
    if flow.kind is FlowKind.AGREED:
        if medium.is_liquid:
            raise UnitError(f"{medium.name} is a liquid: it has no volume at agreed conditions of a gas.")
        moles = flow.value * flow.pressure_pa / (R * flow.temperature_k)
        return moles * medium.molar_kg, f"at {flow.temperature_k - 273.15:.2f} °C and 101.325 kPa, ideal gas"
    volume = flow.value * _size_of_one(flow, typed)
    kelvin, pascal = _where_measured(typed)
    gas_like = medium.molar_kg * pascal / (compressibility(medium, pascal, kelvin) * R * kelvin)
    rho = density(medium, pascal, kelvin) if medium.is_liquid else gas_like
    if medium.phase == "steam":
        raise UnitError("Steam cannot be measured as a volume here: condense it and give its mass.")
    how = f"density {figure(rho)} kg/m3 at {kelvin - 273.15:.1f} °C and {pascal / 1e3:.4g} kPa absolute"
    counted = f", {figure(_size_of_one(flow, typed) * 1e6)} mL each" if flow.counted else ""
    return volume * rho, how + counted


def _size_of_one(flow: Flow, typed: Mapping[str, str]) -> float:
    if not flow.counted:
        return 1.0
    usual = {"bubble": BUBBLE_M3, "drop": DROP_M3}[flow.counted]
    return units.volume_m3(typed[flow.counted]) if typed.get(flow.counted) else usual


def _where_measured(typed: Mapping[str, str]) -> tuple[float, float]:
    t, p = typed.get("measured_at_temperature"), typed.get("measured_at_pressure")
    return (units.temperature_k(t) if t else MEASURING_K), (units.pressure_pa(p) if p else ATMOSPHERE_PA)


def _decay(typed: Mapping[str, str], medium: Medium) -> tuple[float, tuple[Step, ...]]:
    """Gas lost from (or gained by) a closed volume: V (p1/Z1 - p2/Z2) M / (R T t)."""
    missing = [key for key in ("decay_from", "decay_to", "decay_time") if not typed.get(key)]
    if missing:
        raise UnitError(
            f"A pressure decay needs also: {', '.join(m.removeprefix('decay_') for m in missing)}."
        )
    if medium.is_liquid or medium.phase == "steam":
        raise UnitError(f"A pressure decay says nothing of {medium.name}: it needs a gas.")
    volume, time_s = units.volume_m3(typed["decay_volume"]), units.duration_s(typed["decay_time"])
    begin, end = units.pressure_pa(typed["decay_from"]), units.pressure_pa(typed["decay_to"])
    kelvin = _where_measured(typed)[0]
    rate = decay_rate(volume, begin, end, time_s, kelvin, medium)
    said = (
        f"{typed['decay_volume']} from {typed['decay_from']} to {typed['decay_to']} in {typed['decay_time']}"
    )
    how = f"V (p1/Z1 - p2/Z2) M / (R T t) at {kelvin - 273.15:.1f} °C, taken as constant"
    return rate, (Step("pressure decay", said, Method.DECAY.value), _as_mass(rate, how))


def decay_rate(
    volume_m3: float, begin_pa: float, end_pa: float, time_s: float, temperature_k: float, medium: Medium
) -> float:
    """Mean kg/s that a closed volume lost (or gained) between two pressures. Raises UnitError if none."""
    held = [p / compressibility(medium, p, temperature_k) for p in (begin_pa, end_pa)]
    rate = abs(held[0] - held[1]) * volume_m3 * medium.molar_kg / (R * temperature_k * time_s)
    if rate == 0.0:
        raise UnitError("The pressure did not change: that is no leak to calibrate with.")
    return rate


def _as_mass(rate_kg_s: float, how: str) -> Step:
    return Step("as mass", f"{figure(rate_kg_s * 3600)} kg/h", how)


def _uncertainty(typed: Mapping[str, str], method: Method) -> tuple[float, str]:
    """Half-width of the 95 % interval as a share, and where it is from."""
    text = typed.get("uncertainty")
    if not text:
        return USUAL_SHARE[method], f"not stated: what is usual for a {method.value}"
    if text.strip().endswith("%"):
        half = units.share(text)
    elif "leak" in typed:
        half = units.flow(text).value / units.flow(typed["leak"]).value
    else:
        raise UnitError(f"{text!r} is no percentage. Write for instance: 10 %")
    if not 0.0 < half <= 3.0:
        raise UnitError(
            f"An uncertainty of {100 * half:.3g} % cannot be: give more than 0 and at most 300 %."
        )
    return half, "as stated"
