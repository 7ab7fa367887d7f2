"""Allowed seat leakage after FCI 70-2 / IEC 60534-4, API 598 and ISO 5208, and how likely a leak is above it.

The tables are as second-hand transcriptions give them (FCI 70-2:2006; API 598 per-NPS edition; ISO
5208:2015); the standards' own texts decide. Each allows a rate *at its test*: water or air, at a test
pressure. A leak estimated at the plant's pressures is therefore carried over: the hole that explains it
lets a known flow through at the test.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from hissmark.worth.flow import State, flux
from hissmark.worth.media import MEDIA, WATER, Medium, R
from hissmark.worth.units import ATMOSPHERE_PA

INCH_M = 0.0254
MM_PER_INCH = 25.4
TEST_K = 293.15
PSI_PA = 6894.757293168

#: FCI 70-2 class VI: port in inches -> (mL/min, bubbles/min or None).
CLASS_VI = (
    (1.0, 0.15, 1), (1.5, 0.30, 2), (2.0, 0.45, 3), (2.5, 0.60, 4), (3.0, 0.90, 6), (4.0, 1.70, 11), (6.0,
    4.00, 27), (8.0, 6.75, 45), (10.0, 11.1, None), (12.0, 16.0, None), (14.0, 21.6, None), (16.0, 28.4,
    None),
)  # fmt: skip
#: FCI 70-2 classes II to IV: share of the rated capacity.
CAPACITY_SHARES = {"II": 0.005, "III": 0.001, "IV": 0.0001}
#: ISO 5208: mm3/s per mm of DN, liquid and gas. A: no visible leakage for the duration of the test.
ISO_RATES = {
    "A": (0.0, 0.0), "AA": (0.006, 0.18), "B": (0.01, 0.3), "C": (0.03, 3.0), "CC": (0.08, 22.3),
    "D": (0.1, 30.0), "E": (0.3, 300.0), "EE": (0.39, 470.0), "F": (1.0, 3000.0), "G": (2.0, 6000.0),
}  # fmt: skip
#: API 598 metal seats above 2 in: drops and bubbles a minute per inch of NPS.
API_DROPS_PER_INCH, API_BUBBLES_PER_INCH = 2, 4
API_DROP_ML, API_BUBBLE_ML = 0.0625, 0.06545


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a class allows.

    Attributes:
        ml_min: mL/min of the test's fluid (gas: at one atmosphere and 20 °C). None: the class needs
            something that is not known (`needs`).
        fluid, test_pa: of the test, gauge pressure over one atmosphere downstream.
    """

    standard: str
    name: str
    ml_min: float | None
    fluid: str
    test_pa: float
    how: str
    needs: str = ""


@dataclass(frozen=True, slots=True)
class Compared:
    """A class against a leak: mL/min that the leak would make at the test, and how likely that is too
    much.
    """

    allowed: Allowed
    probability_above: float | None


#: DN in mm -> NPS in inches (ISO 6708 and ASME B36.10M); other sizes are taken as they are.
NOMINAL = {
    8: 0.25, 10: 0.375, 15: 0.5, 20: 0.75, 25: 1.0, 32: 1.25, 40: 1.5, 50: 2.0, 65: 2.5, 80: 3.0, 90: 3.5,
    100: 4.0, 125: 5.0, 150: 6.0, 200: 8.0, 250: 10.0, 300: 12.0, 350: 14.0, 400: 16.0, 450: 18.0, 500: 20.0,
}  # fmt: skip


def nominal_inches(size_m: float) -> float:
    """The size as the inch tables have it: DN 80 is 3 in, not 3.15."""
    return NOMINAL.get(round(size_m * 1e3), size_m / INCH_M)


def class_vi_ml_min(port_m: float) -> float | None:
    """mL/min of the port: the table's row, linear between rows, the first row below the table, None
    beyond.
    """
    inches = nominal_inches(port_m)
    sizes = [row[0] for row in CLASS_VI]
    i = bisect_left(sizes, inches - 1e-9)
    if i == len(sizes):
        return None
    if i == 0 or math.isclose(sizes[i], inches):
        return CLASS_VI[i][1]
    low, high = CLASS_VI[i - 1], CLASS_VI[i]
    return low[1] + (high[1] - low[1]) * (inches - low[0]) / (high[0] - low[0])


def class_v_ml_min(port_m: float, difference_pa: float) -> float:
    """Water: 5e-4 mL/min per inch of port and psi."""
    return 5e-4 * (port_m / INCH_M) * (difference_pa / PSI_PA)


def capacity_ml_min(kv_m3_h: float, share: float, difference_pa: float) -> float:
    """A share of the rated flow of water: Kv sqrt(dp / 1 bar)."""
    return share * kv_m3_h * math.sqrt(difference_pa / 1e5) * 1e6 / 60.0


def allowed(
    size_m: float | None, medium: Medium, difference_pa: float, kv_m3_h: float | None = None
) -> list[Allowed]:
    """Every class for a valve of this size: water tests for liquids, air tests for gases and steam."""
    return [
        *_control(size_m, difference_pa, kv_m3_h),
        *_api(size_m, medium.is_liquid),
        *_iso(size_m, medium.is_liquid),
    ]


_NO_SIZE = "the size of the valve (register, column size_mm)"


def _control(size_m: float | None, difference_pa: float, kv: float | None) -> list[Allowed]:
    standard, test = "FCI 70-2 / IEC 60534-4", min(difference_pa, 3.5e5)
    rows = [
        Allowed(standard, name, capacity_ml_min(kv, share, test) if kv else None, WATER, test,
                f"{100 * share:g} % of the rated capacity, water", "" if kv else "the flow coefficient Kv")
        for name, share in CAPACITY_SHARES.items()
    ]  # fmt: skip
    five = class_v_ml_min(size_m, difference_pa) if size_m else None
    six = class_vi_ml_min(size_m) if size_m else None
    no_row = "" if six is not None else ("a size up to 16 in" if size_m else _NO_SIZE)
    return [
        *rows,
        Allowed(standard, "V", five, WATER, difference_pa, "5e-4 mL/min per inch and psi, water",
                "" if size_m else _NO_SIZE),
        Allowed(standard, "VI", six, "air", test, "table by port, air or nitrogen up to 3.5 bar", no_row),
    ]  # fmt: skip


def _api(size_m: float | None, liquid: bool) -> list[Allowed]:
    fluid, test = (WATER, 11.0e5) if liquid else ("air", 5.5e5)
    each, per_inch = (API_DROP_ML, API_DROPS_PER_INCH) if liquid else (API_BUBBLE_ML, API_BUBBLES_PER_INCH)
    metal = None
    if size_m is not None:
        inches = nominal_inches(size_m)
        metal = 0.0 if inches <= 2.0 else per_inch * inches * each
    word = "drops" if liquid else "bubbles"
    return [
        Allowed("API 598", "soft seat", 0.0, fluid, test, "no leakage"),
        Allowed("API 598", "metal seat", metal, fluid, test, f"{per_inch} {word}/min per inch above 2 in",
                "" if size_m else _NO_SIZE),
    ]  # fmt: skip


def _iso(size_m: float | None, liquid: bool) -> list[Allowed]:
    fluid, test = (WATER, 11.0e5) if liquid else ("air", 6.0e5)
    rows = []
    for name, rates in ISO_RATES.items():
        rate = rates[0] if liquid else rates[1]
        value = rate * size_m * 1e3 * 60.0 / 1e3 if size_m else None
        rows.append(
            Allowed("ISO 5208", f"rate {name}", value, fluid, test, f"{rate:g} mm3/s per mm of DN",
                    "" if size_m else _NO_SIZE)
        )  # fmt: skip
    return rows


def at_test_ml_min(rate_kg_s: float, medium: Medium, state: State, row: Allowed) -> float | None:
    """mL/min that the same hole lets through at the test of a class; None without a pressure difference."""
    here = flux(medium, state)
    if here <= 0.0 or row.test_pa <= 0.0:
        return None
    fluid = MEDIA[row.fluid]
    there = flux(fluid, State(ATMOSPHERE_PA + row.test_pa, ATMOSPHERE_PA, TEST_K))
    mass = rate_kg_s * there / here
    rho = fluid.density_kg_m3 if fluid.is_liquid else ATMOSPHERE_PA * fluid.molar_kg / (R * TEST_K)
    return mass / rho * 6e7
