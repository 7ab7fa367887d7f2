"""Flow through a hole: gas choked and unchoked, steam, liquid with choking by flashing.

Gas: isentropic nozzle of an ideal gas (the critical flow function of ISO 9300 for the ideal gas), density
at the inlet with the real Z. Liquid: Bernoulli, limited as in IEC 60534-2-1 by FL^2 (p1 - FF pv). SI
throughout; the discharge coefficient is the caller's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hissmark.worth.media import Medium, density, vapour_pressure

DISCHARGE = 0.61
"""Of a sharp-edged hole (common practice); only hole sizes depend on it, never a rate from a calibration."""

RECOVERY = 0.9
"""FL of a seat leak: a hole recovers little pressure (IEC 60534: 0.8 to 0.9 for globe valves at small
lift).
"""


@dataclass(frozen=True, slots=True)
class State:
    """The two sides of a seat. Absolute pressures in Pa, temperature of the inlet in K."""

    upstream_pa: float
    downstream_pa: float
    temperature_k: float

    @property
    def difference_pa(self) -> float:
        return self.upstream_pa - self.downstream_pa


def critical_ratio(heat_ratio: float) -> float:
    """Downstream over upstream pressure below which the flow is choked: (2/(k+1))^(k/(k-1))."""
    return math.pow(2.0 / (heat_ratio + 1.0), heat_ratio / (heat_ratio - 1.0))


def critical_flow_function(heat_ratio: float) -> float:
    """C* of ISO 9300 for the ideal gas: sqrt(k (2/(k+1))^((k+1)/(k-1)))."""
    k = heat_ratio
    return math.sqrt(k * (2.0 / (k + 1.0)) ** ((k + 1.0) / (k - 1.0)))


def is_choked(medium: Medium, state: State) -> bool:
    """Whether more suction downstream would bring no more flow."""
    if medium.is_liquid:
        return state.difference_pa >= choking_difference(medium, state)
    return state.downstream_pa <= state.upstream_pa * critical_ratio(medium.heat_ratio)


def flux(medium: Medium, state: State) -> float:
    """kg/(s m2) through a hole with discharge coefficient 1; 0 without a pressure difference."""
    if state.difference_pa <= 0.0:
        return 0.0
    if medium.is_liquid:
        effective = min(state.difference_pa, choking_difference(medium, state))
        return math.sqrt(2.0 * density(medium, state.upstream_pa, state.temperature_k) * effective)
    return _gas_flux(medium, state)


def _gas_flux(medium: Medium, state: State) -> float:
    k = medium.heat_ratio
    scale = math.sqrt(
        state.upstream_pa * density(medium, state.upstream_pa, state.temperature_k)
    )  # p1 / sqrt(Z R T / M)
    if is_choked(medium, state):
        return critical_flow_function(k) * scale
    r = state.downstream_pa / state.upstream_pa
    return scale * math.sqrt(2.0 * k / (k - 1.0) * (r ** (2.0 / k) - r ** ((k + 1.0) / k)))


def choking_difference(medium: Medium, state: State) -> float:
    """Pa of difference beyond which a liquid flashes in the throat: FL^2 (p1 - FF pv), IEC 60534-2-1."""
    vapour = vapour_pressure(medium, state.temperature_k)
    ratio = 0.96 - 0.28 * math.sqrt(vapour / medium.critical_pa)
    return max(0.0, RECOVERY**2 * (state.upstream_pa - ratio * vapour))


def hole_area(mass_flow_kg_s: float, medium: Medium, state: State, discharge: float = DISCHARGE) -> float:
    """m2 of the hole that lets this much through. Raises ValueError without a pressure difference."""
    through = flux(medium, state)
    if through <= 0.0:
        raise ValueError("without a pressure difference no hole explains a flow")
    return mass_flow_kg_s / (discharge * through)


def hole_diameter(area_m2: float) -> float:
    """m, of a round hole."""
    return 2.0 * math.sqrt(area_m2 / math.pi)
