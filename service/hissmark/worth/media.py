"""What flows through the leak: gases as real gases near the ideal one, steam and liquids from short tables.

Molar mass, ratio of specific heats (ideal gas, 20 °C), critical point and acentric factor of gases; density,
vapour pressure, critical pressure and sound speed of liquids at 20 °C: computed with CoolProp 8 (reference
equations of state) and rounded; water and saturated steam as tables over temperature and pressure from the
same source (IAPWS-95). Tests recompute every figure. Pressures Pa, temperatures K, SI throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

R = 8.314462618
"""Molar gas constant, J/(mol K) (SI 2019, exact to the digits given)."""


class Phase(StrEnum):
    """Kept apart throughout: a level measured with one says little about another."""

    GAS = "gas"
    STEAM = "steam"
    LIQUID = "liquid"


@dataclass(frozen=True, slots=True)
class Medium:
    """A fluid. What a phase does not need is NaN.

    Attributes:
        molar_kg: kg/mol. heat_ratio: cp/cv of the ideal gas.
        critical_k, critical_pa, acentric: for the compressibility of a gas (Pitzer's virial correlation).
        density_kg_m3, vapour_pa, sound_m_s: of a liquid at 20 °C.
        heat_j_kg: net heat of burning, or heat above feed water for steam; 0 where there is none to lose.
        methane, carbon_dioxide: mass shares that count for emissions.
        burnt_kg_kg: kg CO2 that burning one kg makes.
    """

    name: str
    phase: Phase
    molar_kg: float = math.nan
    heat_ratio: float = math.nan
    critical_k: float = math.nan
    critical_pa: float = math.nan
    acentric: float = math.nan
    density_kg_m3: float = math.nan
    vapour_pa: float = math.nan
    sound_m_s: float = math.nan
    heat_j_kg: float = 0.0
    methane: float = 0.0
    carbon_dioxide: float = 0.0
    burnt_kg_kg: float = 0.0

    @property
    def is_liquid(self) -> bool:
        return self.phase is Phase.LIQUID


def compressibility(medium: Medium, pressure_pa: float, temperature_k: float) -> float:
    """Z of a gas: ``1 + (B0 + w B1) Pr / Tr`` with Pitzer's B0, B1 (Smith, Van Ness, Abbott, from memory).

    Good to about 4 % up to 100 bar for gases far above their critical temperature, 30 bar for others (tests
    compare with CoolProp); never below 0.3, where the correlation no longer means anything.
    """
    if math.isnan(medium.critical_k):
        return 1.0
    tr, pr = temperature_k / medium.critical_k, pressure_pa / medium.critical_pa
    b = 0.083 - 0.422 / tr**1.6 + medium.acentric * (0.139 - 0.172 / tr**4.2)
    return float(max(0.3, 1.0 + b * pr / tr))


def density(medium: Medium, pressure_pa: float, temperature_k: float) -> float:
    """kg/m3 at a state. Steam: dry saturated at the pressure (superheat is taken as an ideal gas from
    there).
    """
    if medium.is_liquid:
        return water_density(temperature_k) if medium.name == WATER else medium.density_kg_m3
    if medium.phase is Phase.STEAM:
        saturated = float(np.exp(np.interp(math.log(pressure_pa), _LOG_STEAM_PA, _LOG_STEAM_DENSITY)))
        return saturated * min(1.0, saturation_k(pressure_pa) / temperature_k)
    z = compressibility(medium, pressure_pa, temperature_k)
    return pressure_pa * medium.molar_kg / (z * R * temperature_k)


def saturation_k(pressure_pa: float) -> float:
    """Boiling temperature of water."""
    return float(1.0 / np.interp(math.log(pressure_pa), _LOG_STEAM_PA, _INVERSE_STEAM_K))


def steam_enthalpy(pressure_pa: float) -> float:
    """J/kg of dry saturated steam."""
    return float(np.interp(math.log(pressure_pa), _LOG_STEAM_PA, _STEAM_J_KG))


def vapour_pressure(medium: Medium, temperature_k: float) -> float:
    """Pa. Of water at its temperature; of other liquids as given for 20 °C."""
    if medium.name != WATER:
        return medium.vapour_pa
    return float(np.exp(np.interp(1.0 / temperature_k, _INVERSE_WATER_K, _LOG_WATER_PA)))


def water_density(temperature_k: float) -> float:
    return float(np.interp(temperature_k, _WATER_K, _WATER_DENSITY))


def sound_speed(medium: Medium, temperature_k: float) -> float:
    """m/s in a liquid."""
    if medium.name != WATER:
        return medium.sound_m_s
    return float(np.interp(temperature_k, _WATER_K, _WATER_SOUND))


def _gas(name: str, g_mol: float, k: float, tc: float, pc_bar: float, w: float, **more: float) -> Medium:
    return Medium(name, Phase.GAS, g_mol / 1e3, k, tc, pc_bar * 1e5, w, **more)


def _liquid(name: str, kg_m3: float, pv_bar: float, pc_bar: float, sound: float, **more: float) -> Medium:
    return Medium(
        name, Phase.LIQUID, critical_pa=pc_bar * 1e5, density_kg_m3=kg_m3, vapour_pa=pv_bar * 1e5,
        sound_m_s=sound, **more,
    )  # fmt: skip


WATER = "water"
NATURAL_GAS = "natural gas"
_METHANE_HEAT = 50.0e6  # J/kg net, NIST WebBook 802.3 kJ/mol over 16.043 g/mol = 50.0 MJ/kg (from memory)

MEDIA = {
    m.name: m
    for m in (
        _gas("air", 28.9655, 1.4001, 132.53, 37.86, 0.0335),
        _gas("nitrogen", 28.0135, 1.3996, 126.19, 33.96, 0.0372),
        _gas("oxygen", 31.9988, 1.3952, 154.60, 50.46, 0.0222),
        _gas("argon", 39.948, 1.6667, 150.69, 48.63, -0.0022),
        _gas("helium", 4.0026, 1.6667, 5.2, 2.28, -0.3835),
        _gas("hydrogen", 2.0159, 1.4059, 33.14, 12.96, -0.219, heat_j_kg=120.0e6),
        _gas("methane", 16.0428, 1.3055, 190.56, 45.99, 0.0114, heat_j_kg=_METHANE_HEAT, methane=1.0,
             burnt_kg_kg=44.0098 / 16.0428),
        # IPCC 2006 vol. 2: 48.0 TJ/Gg (table 1.2) and 56,100 kg CO2/TJ (table 2.2). Composition as methane
        # with some heavier gases; the shares of a site's own gas are assumptions that the page shows.
        _gas(NATURAL_GAS, 17.5, 1.30, 195.0, 46.2, 0.015, heat_j_kg=48.0e6, methane=0.90,
             carbon_dioxide=0.01, burnt_kg_kg=48.0e6 * 56_100e-12),
        _gas("ethane", 30.069, 1.1909, 305.32, 48.72, 0.099, heat_j_kg=47.5e6,
             burnt_kg_kg=2 * 44.0098 / 30.069),
        _gas("ethylene", 28.0538, 1.2441, 282.35, 50.42, 0.0866, heat_j_kg=47.2e6,
             burnt_kg_kg=2 * 44.0098 / 28.0538),
        _gas("propane", 44.0956, 1.1298, 369.89, 42.51, 0.1521, heat_j_kg=46.4e6,
             burnt_kg_kg=3 * 44.0098 / 44.0956),
        _gas("butane", 58.1222, 1.0935, 425.13, 37.96, 0.2008, heat_j_kg=45.7e6,
             burnt_kg_kg=4 * 44.0098 / 58.1222),
        _gas("carbon dioxide", 44.0098, 1.2908, 304.13, 73.77, 0.2239, carbon_dioxide=1.0),
        _gas("carbon monoxide", 28.0101, 1.3993, 132.86, 34.98, 0.0497, heat_j_kg=10.1e6,
             burnt_kg_kg=44.0098 / 28.0101),
        _gas("ammonia", 17.0305, 1.3069, 405.56, 113.63, 0.2557),
        _gas("hydrogen sulfide", 34.0809, 1.323, 373.1, 89.99, 0.1005),
        Medium("steam", Phase.STEAM, 18.0153e-3, 1.135, 647.1, 220.64e5, 0.3443),
        _liquid(WATER, 998.2, 0.02339, 220.64, 1482),
        _liquid("methanol", 791.0, 0.13032, 82.16, 1116, heat_j_kg=19.9e6),
        _liquid("ethanol", 789.4, 0.05876, 62.68, 1159, heat_j_kg=26.8e6),
        _liquid("hexane", 659.4, 0.16158, 30.44, 1101, heat_j_kg=44.7e6),
        _liquid("benzene", 878.8, 0.1003, 49.06, 1326, heat_j_kg=40.2e6),
        _liquid("toluene", 866.9, 0.02919, 41.26, 1324, heat_j_kg=40.5e6),
        _liquid("liquid propane", 500.1, 8.3646, 42.51, 753, heat_j_kg=46.4e6),
        _liquid("liquid butane", 578.6, 2.0765, 37.96, 928, heat_j_kg=45.7e6),
        _liquid("liquid ammonia", 610.4, 8.5704, 113.63, 1374),
        # Middle of the trade's light oils; common practice, no source. Say better on the valve's page.
        _liquid("oil", 850.0, 0.001, 20.0, 1350, heat_j_kg=42.7e6),
    )
}  # fmt: skip
"""Every fluid the program knows by name. Heats of combustion: net, textbook values from memory, ±1 %."""

_ALIASES = {
    "gas": NATURAL_GAS, "fuel gas": NATURAL_GAS, "ng": NATURAL_GAS, "n2": "nitrogen", "o2": "oxygen",
    "h2": "hydrogen", "he": "helium", "ar": "argon", "ch4": "methane", "co2": "carbon dioxide",
    "co": "carbon monoxide", "nh3": "ammonia", "h2s": "hydrogen sulfide", "ethene": "ethylene",
    "compressed air": "air", "instrument air": "air", "cooling water": WATER, "condensate": WATER,
    "boiler feed water": WATER, "n-butane": "butane", "crude oil": "oil", "diesel": "oil",
    "saturated steam": "steam", "hydrogen sulphide": "hydrogen sulfide",
    "carbon dioxide gas": "carbon dioxide",
}  # fmt: skip


def medium_of(text: str) -> Medium | None:
    """The fluid called `text` (any case, common other names); None if the program does not know it."""
    name = " ".join(text.lower().split())
    return MEDIA.get(_ALIASES.get(name, name))


def with_shares(medium: Medium, methane: float | None, carbon_dioxide: float | None) -> Medium:
    """The same with the site's own mass shares of what counts for emissions."""
    return replace(
        medium,
        methane=medium.methane if methane is None else methane,
        carbon_dioxide=medium.carbon_dioxide if carbon_dioxide is None else carbon_dioxide,
    )


#: Dry saturated steam: bar, K, kg/m3, kJ/kg.
STEAM_ROWS = (
    (1, 372.76, 0.5903, 2674.9), (1.5, 384.5, 0.8626, 2693.1), (2, 393.36, 1.1291, 2706.2),
    (3, 406.67, 1.6508, 2724.9), (5, 424.98, 2.668, 2748.1), (7, 438.1, 3.666, 2762.8),
    (10, 453.03, 5.145, 2777.1), (15, 471.44, 7.5924, 2791.0), (20, 485.53, 10.0417, 2798.3),
    (30, 507.0, 15.0005, 2803.2), (40, 523.5, 20.09, 2800.8), (60, 548.73, 30.8184, 2784.6),
    (80, 568.16, 42.5068, 2758.7), (100, 584.15, 55.4631, 2725.5), (120, 597.83, 70.1057, 2685.4),
)  # fmt: skip
#: Water at saturation: °C, kg/m3, bar, m/s.
WATER_ROWS = (
    (0, 999.79, 0.006117, 1402), (10, 999.65, 0.012282, 1447), (20, 998.16, 0.023393, 1482),
    (30, 995.61, 0.04247, 1509), (40, 992.18, 0.073849, 1529), (50, 988.0, 0.123519, 1542),
    (60, 983.16, 0.199464, 1551), (70, 977.73, 0.312009, 1555), (80, 971.77, 0.474145, 1554),
    (90, 965.3, 0.701818, 1550), (100, 958.35, 1.01418, 1543), (120, 943.11, 1.986744, 1520),
    (140, 926.13, 3.615391, 1486), (160, 907.45, 6.182346, 1443), (180, 887.0, 10.028105, 1392),
    (200, 864.66, 15.549279, 1332),
)  # fmt: skip
_STEAM = np.array(STEAM_ROWS)
_LOG_STEAM_PA = np.log(_STEAM[:, 0] * 1e5)
_INVERSE_STEAM_K = 1.0 / _STEAM[:, 1]
_LOG_STEAM_DENSITY = np.log(_STEAM[:, 2])
_STEAM_J_KG = _STEAM[:, 3] * 1e3
_WATER = np.array(WATER_ROWS)
_WATER_K, _WATER_DENSITY, _WATER_SOUND = _WATER[:, 0] + 273.15, _WATER[:, 1], _WATER[:, 3]
_INVERSE_WATER_K, _LOG_WATER_PA = 1.0 / _WATER_K[::-1], np.log(_WATER[::-1, 2] * 1e5)
