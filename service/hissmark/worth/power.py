"""Sound power of a leak per mass flow: how the level changes with pressures when the leak stays the same.

Gas and steam after IEC 60534-8-3:2010 (regimes I to V: subsonic, sonic, jets with shock cells), liquid
after IEC 60534-8-4:2015 (turbulent, cavitating). Both make the sound power proportional to the mass flow at
given pressures, so 10 dB a decade of flow. Only ratios of the figures are used: what the standard leaves to
the valve (its efficiency at the reference, the way through the wall to the sensor) cancels against a
calibration point at the same valve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from hissmark.worth.flow import RECOVERY, State, critical_ratio
from hissmark.worth.media import Medium, density, sound_speed, vapour_pressure

EFFICIENCY_GAS = 1e-4
EFFICIENCY_LIQUID = 10.0**-4.6
"""Acoustic efficiency factors A_eta that the standards give for globe valves; they cancel."""

CAVITATION_ONSET = 0.9
"""x_Fz of 60534-8-4 in the limit of a very small passage, at 6 bar absolute upstream."""


class Regime(StrEnum):
    """What makes the sound."""

    SUBSONIC = "subsonic jet"
    SONIC = "sonic at the throat, pressure recovered"
    SHOCKS = "sonic jet with shock cells"
    STRONG_SHOCKS = "strong shocks"
    FULL_SHOCKS = "fully developed shocks"
    TURBULENT = "turbulent, no cavitation"
    CAVITATING = "cavitating"
    FLASHING = "flashing"

    @property
    def choked(self) -> bool:
        """Whether the flow is sonic (gas) or limited by vapour (liquid)."""
        return self not in (Regime.SUBSONIC, Regime.TURBULENT)


@dataclass(frozen=True, slots=True)
class SoundPower:
    """Sound power per mass flow, W per kg/s, and what makes it."""

    per_flow_w_s_kg: float
    regime: Regime

    @property
    def level_db(self) -> float:
        """10 lg of it (re 1 W s/kg); minus infinity for no sound."""
        return 10.0 * math.log10(self.per_flow_w_s_kg) if self.per_flow_w_s_kg > 0 else -math.inf


def sound_power(medium: Medium, state: State, recovery: float = RECOVERY) -> SoundPower | None:
    """Sound power per mass flow; None without a pressure difference (no flow, no sound)."""
    if state.difference_pa <= 0.0 or state.upstream_pa <= 0.0:
        return None
    return _of_liquid(medium, state, recovery) if medium.is_liquid else _of_gas(medium, state, recovery)


def _of_gas(medium: Medium, state: State, recovery: float) -> SoundPower:
    """W_a / m = efficiency times half the square of the speed in the vena contracta (60534-8-3, 5.2)."""
    k = medium.heat_ratio
    specific = state.upstream_pa / density(medium, state.upstream_pa, state.temperature_k)  # J/kg
    regime, efficiency, mach = gas_efficiency(state.difference_pa / state.upstream_pa, k, recovery)
    if regime is Regime.SUBSONIC:
        ratio = 1.0 - state.difference_pa / state.upstream_pa / recovery**2
        speed_squared = mach**2 * k * specific * ratio ** ((k - 1.0) / k)
    else:
        speed_squared = 2.0 * k / (k + 1.0) * specific
    return SoundPower(0.5 * speed_squared * efficiency, regime)


def gas_efficiency(x: float, k: float, recovery: float) -> tuple[Regime, float, float]:
    """Regime, acoustic efficiency and Mach number (of the throat or of the jet) at pressure ratio x =
    dp/p1.
    """
    choked_x = 1.0 - critical_ratio(k)
    critical_x = recovery**2 * choked_x
    alpha = (1.0 - choked_x) / (1.0 - critical_x)
    break_x = 1.0 - (1.0 / k) ** (k / (k - 1.0)) / alpha
    constant_x = 1.0 - 1.0 / (22.0 * alpha)
    if x <= critical_x:
        mach = math.sqrt(2.0 / (k - 1.0) * ((1.0 - x / recovery**2) ** ((1.0 - k) / k) - 1.0))
        return Regime.SUBSONIC, EFFICIENCY_GAS * recovery**2 * mach**3, mach
    mach_limit = _jet_mach(22.0, k)
    mach = min(_jet_mach(1.0 / (alpha * (1.0 - x)), k), mach_limit) if x < 1.0 else mach_limit
    power = 6.6 * recovery**2
    if x <= choked_x:
        return Regime.SONIC, EFFICIENCY_GAS * x / choked_x * mach**power, mach
    if x <= break_x:
        return Regime.SHOCKS, EFFICIENCY_GAS * mach**power, mach
    if x <= constant_x:
        return Regime.STRONG_SHOCKS, EFFICIENCY_GAS * mach**2 / 2.0 * math.sqrt(2.0) ** power, mach
    return Regime.FULL_SHOCKS, EFFICIENCY_GAS * mach_limit**2 / 2.0 * math.sqrt(2.0) ** power, mach_limit


def _jet_mach(expansion: float, k: float) -> float:
    """Mach number of the free jet after expanding by this ratio of pressures."""
    return math.sqrt(2.0 / (k - 1.0) * (expansion ** ((k - 1.0) / k) - 1.0))


def _of_liquid(medium: Medium, state: State, recovery: float) -> SoundPower:
    """Turbulent part and cavitation (60534-8-4, 5.3 and 5.4)."""
    vapour = vapour_pressure(medium, state.temperature_k)
    head = state.upstream_pa - vapour
    if head <= 0.0:
        return SoundPower(0.0, Regime.FLASHING)
    limited = min(state.difference_pa, recovery**2 * head)
    rho = density(medium, state.upstream_pa, state.temperature_k)
    speed = math.sqrt(2.0 * limited / rho) / recovery
    turbulent = EFFICIENCY_LIQUID * speed / sound_speed(medium, state.temperature_k)
    x, onset = state.difference_pa / head, CAVITATION_ONSET * (6e5 / state.upstream_pa) ** 0.125
    mechanical = 0.5 * (speed * recovery) ** 2
    if x >= 1.0:
        # Downstream is below the vapour pressure: the formula for cavitation has no meaning there.
        return SoundPower(turbulent * mechanical, Regime.FLASHING)
    if x <= onset or onset >= 1.0:
        return SoundPower(turbulent * mechanical, Regime.TURBULENT)
    cavitation = cavitation_ratio(x, onset, state.difference_pa / limited)
    return SoundPower(turbulent * (1.0 + cavitation) * mechanical, Regime.CAVITATING)


def cavitation_ratio(x: float, onset: float, over_choking: float) -> float:
    """Efficiency of cavitation over that of turbulence; `over_choking` is dp over the choked dp."""
    return float(
        0.32
        * math.sqrt(over_choking / onset)
        * math.exp(5.0 * onset)
        * math.sqrt((1.0 - onset) / (1.0 - x))
        * (x / onset) ** 5
        * (x - onset) ** 1.5
    )
