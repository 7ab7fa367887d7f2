"""Flow through a hole, sound power and fluid properties against standards, handbooks, CoolProp and
`fluids`.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

import fluids
import pytest
from CoolProp import CoolProp as coolprop  # noqa: N813 - a module
from fluids.compressible import P_critical_flow, is_critical_flow
from fluids.control_valve import control_valve_noise_g_2011, control_valve_noise_l_2015

from hissmark.worth import media
from hissmark.worth.flow import (
    RECOVERY,
    State,
    choking_difference,
    critical_flow_function,
    critical_ratio,
    flux,
    hole_area,
    hole_diameter,
    is_choked,
)
from hissmark.worth.media import MEDIA, Phase, compressibility, density
from hissmark.worth.power import CAVITATION_ONSET, Regime, cavitation_ratio, gas_efficiency, sound_power

MM2 = math.pi / 4.0 * 1e-6
ATM = 101_325.0
AIR = MEDIA["air"]


@pytest.mark.parametrize(
    ("k", "ratio"), [(1.4, 0.528282), (1.31, 0.543927), (1.30, 0.545728), (1.27, 0.551208), (1.135, 0.577430)]
)
def test_critical_ratio_of_the_textbooks(k: float, ratio: float) -> None:
    """(2/(k+1))^(k/(k-1)), also as `fluids` has it."""
    assert critical_ratio(k) == pytest.approx(ratio, abs=1e-6)
    assert critical_ratio(k) == pytest.approx(P_critical_flow(1.0, k), rel=1e-12)


def test_choked_air_through_a_millimetre() -> None:
    """7 bar absolute, 20 °C, 1 mm: 1.297719e-3 kg/s for the ideal gas (k 1.4, M 28.9647, textbook formula);
    real
    gas by CoolProp's largest isentropic flux 1.301742e-3.
    """
    flow = flux(AIR, State(7e5, ATM, 293.15)) * MM2
    assert flow == pytest.approx(1.297719e-3, rel=2e-3)
    assert flow == pytest.approx(1.301742e-3, rel=2e-3)


def test_critical_flow_function_of_iso_9300() -> None:
    """C* of the ideal gas with k 1.4 is 0.684731; ISO 9300 gives 0.686 for air near 7 bar (real gas,
    CoolProp).
    """
    assert critical_flow_function(1.4) == pytest.approx(0.684731, abs=1e-6)
    assert critical_flow_function(1.4) == pytest.approx(0.686854, rel=4e-3)


def largest_flux(name: str, pressure_pa: float, temperature_k: float) -> float:
    """kg/(s m2) of a real gas in an isentropic nozzle, by CoolProp: the largest of rho times speed."""
    h0 = coolprop.PropsSI("H", "P", pressure_pa, "T", temperature_k, name)
    s0 = coolprop.PropsSI("S", "P", pressure_pa, "T", temperature_k, name)
    best = 0.0
    for i in range(1, 400):
        p = pressure_pa * (1.0 - 0.0015 * i)
        rho = coolprop.PropsSI("D", "P", p, "S", s0, name)
        drop = h0 - coolprop.PropsSI("H", "P", p, "S", s0, name)
        best = max(best, rho * math.sqrt(max(0.0, 2.0 * drop)))
    return best


@pytest.mark.parametrize(
    ("medium", "name", "bar", "within"),
    [
        ("air", "Air", 7, 0.005), ("air", "Air", 40, 0.025), ("nitrogen", "Nitrogen", 20, 0.015),
        ("methane", "Methane", 7, 0.01), ("methane", "Methane", 50, 0.06), ("hydrogen", "Hydrogen", 50, 0.02),
        ("carbon dioxide", "CarbonDioxide", 20, 0.05), ("propane", "Propane", 5, 0.05),
    ],
)  # fmt: skip
def test_choked_flow_of_real_gases(medium: str, name: str, bar: float, within: float) -> None:
    """Ideal flow function with the real density at the inlet, against CoolProp's real nozzle."""
    ours = flux(MEDIA[medium], State(bar * 1e5, ATM, 293.15))
    assert ours == pytest.approx(largest_flux(name, bar * 1e5, 293.15), rel=within)


def test_subcritical_air() -> None:
    """1.5 to 1.01325 bar absolute through 1 mm: 2.64379e-4 kg/s (textbook formula for the ideal gas)."""
    state = State(1.5e5, ATM, 293.15)
    assert not is_choked(AIR, state)
    assert flux(AIR, state) * MM2 == pytest.approx(2.64379e-4, rel=2e-3)


@pytest.mark.parametrize("upstream", [7e5, 1.95e5, 1.8e5, 1.2e5])
def test_choking_as_the_library_has_it(upstream: float) -> None:
    assert is_choked(AIR, State(upstream, ATM, 293.15)) == is_critical_flow(upstream, ATM, AIR.heat_ratio)


def test_compressed_air_chart() -> None:
    """Air at 100 psig through holes of 1/64 to 3/8 in: 0.406 to 234.1 cubic feet a minute of 68 °F
    (compressed-air handbooks' table, computed again: check values, Cd 1).
    """
    state = State(100 * 6894.757 + ATM, ATM, 293.15)
    for inches, scfm in (
        (1 / 64, 0.406),
        (1 / 32, 1.625),
        (1 / 16, 6.502),
        (1 / 8, 26.01),
        (1 / 4, 104.0),
        (3 / 8, 234.1),
    ):
        area = math.pi / 4.0 * (inches * 0.0254) ** 2
        standard = flux(AIR, state) * area / (ATM * AIR.molar_kg / (media.R * 293.15))
        assert standard / 0.3048**3 * 60.0 == pytest.approx(scfm, rel=6e-3)


def test_area_as_api_520_sizes_it() -> None:
    """API 520 through `fluids`: 24,270 kg/h of a gas of M 51, k 1.11, Z 0.90 at 670 kPa, 348 K need 3,699
    mm2.
    """
    gas = media.Medium("x", Phase.GAS, 51e-3, 1.11)  # no critical point: Z 1
    state = State(670e3, ATM, 348.0)
    with_z = 24270 / 3600 / (flux(gas, state) / math.sqrt(0.90)) / 0.975
    assert with_z == pytest.approx(0.00369904606, rel=1e-4)
    assert fluids.API520_A_g(
        24270 / 3600.0, 348.0, 0.90, 51.0, 1.11, 670e3, Kd=0.975, Kb=1, Kc=1
    ) == pytest.approx(with_z, rel=1e-3)


def test_steam_as_napier_found_it() -> None:
    """W = 51.5 A P (lb/h, in2, psia): 3 mm at 11 bar absolute pass 40.833 kg/h; homogeneous equilibrium
    40.325.
    """
    steam, state = MEDIA["steam"], State(11e5, ATM, media.saturation_k(11e5))
    area = math.pi / 4.0 * 3e-3**2
    assert flux(steam, state) * area * 3600 == pytest.approx(40.833, rel=0.02)
    assert flux(steam, state) * area * 3600 == pytest.approx(40.325, rel=0.02)


def test_water_through_a_millimetre() -> None:
    """1 mm, Cd 0.61, 10 bar, 20 °C: 77.184 L/h (Bernoulli, density 998.66)."""
    water, state = MEDIA["water"], State(20e5, 10e5, 293.15)
    assert flux(water, state) * 0.61 * MM2 * 3600 / 0.99866 == pytest.approx(77.184, rel=1e-3)


def test_liquid_that_flashes_is_choked_as_iec_60534_says() -> None:
    """FL^2 (p1 - FF pv), FF = 0.96 - 0.28 sqrt(pv/pc): water of 90 °C at 6.8 bar (pv 0.701 bar, pc 221.2
    bar).
    """
    hot = State(680e3, 220e3, 363.15)
    expected = RECOVERY**2 * (
        680e3 - fluids.control_valve.FF_critical_pressure_ratio_l(70.1e3, 220.64e5) * 70.1e3
    )
    assert choking_difference(MEDIA["water"], hot) == pytest.approx(expected, rel=2e-3)
    assert not is_choked(MEDIA["water"], hot)
    assert is_choked(MEDIA["water"], State(680e3, 100e3, 363.15))


def test_hole_and_flow_are_each_others_inverse() -> None:
    state = State(8e5, ATM, 293.15)
    wide = hole_diameter(hole_area(flux(AIR, state) * 0.61 * MM2, AIR, state))
    assert wide == pytest.approx(1e-3, rel=1e-12)


# Fluid properties: every figure of the tables from CoolProp again.

COOLPROP = {
    "air": "Air", "nitrogen": "Nitrogen", "oxygen": "Oxygen", "argon": "Argon", "helium": "Helium",
    "hydrogen": "Hydrogen", "methane": "Methane", "ethane": "Ethane", "ethylene": "Ethylene",
    "propane": "Propane", "butane": "n-Butane", "carbon dioxide": "CarbonDioxide",
    "carbon monoxide": "CarbonMonoxide", "ammonia": "Ammonia", "hydrogen sulfide": "HydrogenSulfide",
}  # fmt: skip


@pytest.mark.parametrize("name", COOLPROP)
def test_gases_are_those_of_the_reference_equations(name: str) -> None:
    gas, other = MEDIA[name], COOLPROP[name]
    cp = coolprop.PropsSI("Cp0molar", "T", 293.15, "P", 1000, other)
    assert gas.molar_kg == pytest.approx(coolprop.PropsSI("M", other), rel=1e-4)
    assert gas.heat_ratio == pytest.approx(cp / (cp - media.R), rel=1e-3)
    assert gas.critical_k == pytest.approx(coolprop.PropsSI("Tcrit", other), rel=2e-3)
    assert gas.critical_pa == pytest.approx(coolprop.PropsSI("pcrit", other), rel=2e-3)


@pytest.mark.parametrize(
    ("name", "bar", "celsius", "within"),
    [
        ("air", 7, 20, 0.001), ("air", 50, 20, 0.01), ("nitrogen", 100, 20, 0.035), ("methane", 7, 20, 0.002),
        ("methane", 50, 20, 0.02), ("methane", 80, 20, 0.03), ("hydrogen", 100, 20, 0.03),
        ("carbon dioxide", 20, 20, 0.02), ("propane", 5, 20, 0.02), ("ethylene", 30, 20, 0.04),
        ("ammonia", 5, 20, 0.02), ("oxygen", 50, 20, 0.01),
    ],
)  # fmt: skip
def test_density_of_gases(name: str, bar: float, celsius: float, within: float) -> None:
    """Pitzer's correlation against CoolProp, with the error that the manual states (4 %)."""
    kelvin = celsius + 273.15
    reference = coolprop.PropsSI("D", "P", bar * 1e5, "T", kelvin, COOLPROP[name])
    assert density(MEDIA[name], bar * 1e5, kelvin) == pytest.approx(reference, rel=within)


def test_methane_of_one_standard_cubic_foot() -> None:
    """0.019213 kg/scf at 60 °F and 14.696 psia by CoolProp; 40 CFR 98 W uses 0.0192 (from memory)."""
    assert density(MEDIA["methane"], ATM, 288.706) * 0.3048**3 == pytest.approx(0.019213, rel=2e-4)


def test_compressibility_without_a_critical_point_is_one() -> None:
    assert compressibility(media.Medium("x", Phase.GAS, 0.02), 5e6, 300.0) == 1.0


@pytest.mark.parametrize("bar", [1.0, 1.2, 2.5, 4.0, 8.5, 11.0, 25.0, 50.0, 90.0, 115.0])
def test_saturated_steam_between_the_rows(bar: float) -> None:
    """IAPWS-95 by CoolProp; 11 bar: 184.062 °C, 2780.65 kJ/kg."""
    pa = bar * 1e5
    assert media.saturation_k(pa) == pytest.approx(coolprop.PropsSI("T", "P", pa, "Q", 1, "Water"), abs=0.3)
    assert media.steam_enthalpy(pa) == pytest.approx(
        coolprop.PropsSI("H", "P", pa, "Q", 1, "Water"), rel=1e-3
    )
    assert density(MEDIA["steam"], pa, media.saturation_k(pa)) == pytest.approx(
        coolprop.PropsSI("D", "P", pa, "Q", 1, "Water"), rel=3e-3
    )


@pytest.mark.parametrize("celsius", [5.0, 15.0, 25.0, 55.0, 95.0, 110.0, 150.0, 190.0])
def test_water_between_the_rows(celsius: float) -> None:
    water, kelvin = MEDIA["water"], celsius + 273.15
    assert media.vapour_pressure(water, kelvin) == pytest.approx(
        coolprop.PropsSI("P", "T", kelvin, "Q", 0, "Water"), rel=0.01
    )
    assert media.water_density(kelvin) == pytest.approx(
        coolprop.PropsSI("D", "T", kelvin, "Q", 0, "Water"), rel=1e-3
    )
    assert media.sound_speed(water, kelvin) == pytest.approx(
        coolprop.PropsSI("A", "T", kelvin, "Q", 0, "Water"), rel=5e-3
    )


@pytest.mark.parametrize(
    ("name", "other"),
    [("methanol", "Methanol"), ("ethanol", "Ethanol"), ("hexane", "n-Hexane"), ("benzene", "Benzene"),
     ("toluene", "Toluene"), ("liquid propane", "n-Propane"), ("liquid butane", "n-Butane"),
     ("liquid ammonia", "Ammonia")],
)  # fmt: skip
def test_liquids_are_those_of_the_reference_equations(name: str, other: str) -> None:
    liquid = MEDIA[name]
    assert liquid.vapour_pa == pytest.approx(coolprop.PropsSI("P", "T", 293.15, "Q", 0, other), rel=1e-3)
    at = max(liquid.vapour_pa * 1.001, ATM)
    assert liquid.density_kg_m3 == pytest.approx(coolprop.PropsSI("D", "T", 293.15, "P", at, other), rel=2e-3)
    assert liquid.sound_m_s == pytest.approx(coolprop.PropsSI("A", "T", 293.15, "P", at, other), rel=1e-2)


# Sound power: IEC 60534-8-3 and 8-4 as `fluids` has them (which its makers checked against the standards'
# worked examples, six and three of them). What it returns is the sound outside the pipe; the sound power
# within is one of its locals, read as it returns.


def locals_of(function: Callable[..., Any], **arguments: float | None) -> dict[str, Any]:
    """The local variables of a call as it returned."""
    seen: dict[str, Any] = {}

    def watch(frame: FrameType, event: str, _: Any) -> None:
        if event == "return" and frame.f_code is function.__code__:
            seen.update(frame.f_locals)

    sys.setprofile(watch)
    try:
        function(**arguments)
    finally:
        sys.setprofile(None)
    return seen


GAS_EXAMPLE = {
    "m": 2.22, "P1": 1e6, "T1": 450.0, "rho": 5.3, "gamma": 1.22, "MW": 19.8, "Kv": 77.85, "d": 0.1,
    "Di": 0.2031, "t_pipe": 0.008, "Fd": 0.296, "An": -4.0,
}  # fmt: skip
PIPE = {"rho_pipe": 8000.0, "c_pipe": 5000.0, "rho_air": 1.293, "c_air": 343.0}


@pytest.mark.parametrize(
    ("downstream", "regime"),
    [(7.2e5, Regime.SUBSONIC), (6.9e5, Regime.SUBSONIC), (5.8e5, Regime.SONIC), (4.2e5, Regime.SHOCKS),
     (1.8e5, Regime.STRONG_SHOCKS), (8e4, Regime.STRONG_SHOCKS), (2e4, Regime.FULL_SHOCKS)],
)  # fmt: skip
def test_efficiency_and_power_of_gas_in_every_regime(downstream: float, regime: Regime) -> None:
    """The worked example of IEC 60534-8-3 (first: 1 MPa to 0.72 MPa) at falling downstream pressures."""
    theirs = locals_of(control_valve_noise_g_2011, **GAS_EXAMPLE, **PIPE, P2=downstream, FL=0.9)
    found, efficiency, _ = gas_efficiency(1.0 - downstream / 1e6, 1.22, 0.9)
    assert found is regime
    assert (
        theirs["regime"]
        == {"subsonic": 1, "sonic at": 2, "sonic je": 3, "strong s": 4, "fully de": 5}[regime.value[:8]]
    )
    assert efficiency == pytest.approx(theirs["eta"], rel=1e-9)
    # The same gas: its density at the inlet as the example states it.
    molar = 5.3 * media.R * 450.0 / 1e6
    power = sound_power(media.Medium("x", Phase.GAS, molar, 1.22), State(1e6, downstream, 450.0), 0.9)
    assert power is not None
    assert power.per_flow_w_s_kg * 2.22 == pytest.approx(theirs["Wa"], rel=1e-9)


def test_level_of_gas_is_ten_decibels_a_decade_of_flow() -> None:
    """At given pressures the standard's level outside grows by 10 lg of the flow (far below Mach 0.3 in the
    pipe).
    """
    few, many = (
        control_valve_noise_g_2011(**{**GAS_EXAMPLE, "m": m}, **PIPE, P2=2e5, FL=0.9) for m in (1e-5, 1e-4)
    )
    assert many - few == pytest.approx(10.0, abs=0.01)


LIQUID_EXAMPLE = {
    "m": 40.0, "P1": 1e6, "Psat": 2.32e3, "rho": 997.0, "c": 1400.0, "Kv": 77.848, "d": 0.1, "Di": 0.1071,
    "FL": 0.92, "Fd": 0.42, "t_pipe": 0.0036, "An": -4.6,
}  # fmt: skip


@pytest.mark.parametrize("downstream", [6.5e5, 5e5, 1.6e5, 1.1e5, 8e4, 4e4])
def test_power_of_liquid_turbulent_and_cavitating(downstream: float) -> None:
    """The worked example of IEC 60534-8-4 (1 MPa to 0.65 MPa and on), with the onset of a very small
    passage.
    """
    pipe = {**PIPE, "rho_pipe": 7800.0}
    theirs = locals_of(
        control_valve_noise_l_2015, **LIQUID_EXAMPLE, **pipe, P2=downstream, xFz=CAVITATION_ONSET
    )
    water = media.Medium(
        "x", Phase.LIQUID, density_kg_m3=997.0, vapour_pa=2.32e3, sound_m_s=1400.0, critical_pa=220e5
    )
    power = sound_power(water, State(1e6, downstream, 293.15), 0.92)
    assert power is not None
    assert (power.regime is Regime.CAVITATING) == theirs["cavitating"]
    assert power.per_flow_w_s_kg * 40.0 == pytest.approx(theirs["Wa"], rel=1e-9)


def test_cavitation_of_the_standards_own_example() -> None:
    """Second example of IEC 60534-8-4 (1 MPa to 0.65 MPa, x_Fz from the valve): the ratio of efficiencies."""
    theirs = locals_of(control_valve_noise_l_2015, **LIQUID_EXAMPLE, **PIPE | {"rho_pipe": 7800.0}, P2=6.5e5)
    assert theirs["cavitating"]
    over = 3.5e5 / theirs["dPc"]
    ours = cavitation_ratio(theirs["xF"], theirs["xFzp1"], over)
    assert ours == pytest.approx(theirs["eta_cav"] / theirs["eta_turb"], rel=1e-9)


def test_no_difference_no_sound() -> None:
    assert sound_power(AIR, State(5e5, 5e5, 293.15)) is None
    assert flux(AIR, State(5e5, 5e5, 293.15)) == 0.0


def test_louder_with_pressure_never_quieter() -> None:
    """Sound power per flow grows with the pressure ratio up to regime IV, whatever the gas."""
    for name in ("air", "methane", "hydrogen"):
        levels = []
        for bar in (1.2, 1.5, 2.0, 4.0, 10.0, 20.0):
            power = sound_power(MEDIA[name], State(bar * 1e5, ATM, 293.15))
            assert power is not None
            levels.append(power.level_db)
        assert levels == sorted(levels)
