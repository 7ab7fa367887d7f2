"""How much can pass at most, from process tags alone: flow downstream, or the pressure of a closed volume.

No sound and no calibration is needed; and where the valve is the only way in or out, the bound is a measured
leak, to calibrate with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.worth.flow import State, hole_area, hole_diameter
from hissmark.worth.media import Medium, R, compressibility
from hissmark.worth.trace import Step, figure

FEWEST = 5
"""Values of a tag that a bound is made from, at least."""

MEDIAN_SD = 1.2533
"""Standard error of a median over that of a mean, for many normal values: sqrt(pi / 2)."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The most that can pass: kg/s with its standard error, and where it is from."""

    rate_kg_s: float
    sd_kg_s: float
    steps: tuple[Step, ...]

    @property
    def most_kg_s(self) -> float:
        """With 95 % confidence not more than this."""
        return self.rate_kg_s + 1.645 * self.sd_kg_s


def of_flow(tag: str, flow_kg_s: npt.NDArray[np.float64]) -> Bound | None:
    """From a meter downstream: float64[n] kg/s while the valve was closed. None for too few or no flow at
    all.
    """
    known = flow_kg_s[np.isfinite(flow_kg_s)]
    if len(known) < FEWEST:
        return None
    rate = float(np.median(known))
    sd = MEDIAN_SD * float(known.std(ddof=1)) / math.sqrt(len(known))
    if rate <= 0.0:
        return None
    said = f"{figure(rate * 3600)} kg/h"
    return Bound(rate, sd, (Step(f"flow at {tag}", said, f"median of {len(known)} values while closed"),))


def of_decay(
    tag: str, time_s: npt.NDArray[np.float64], pressure_pa: npt.NDArray[np.float64], volume_m3: float,
    temperature_k: float, medium: Medium,
) -> Bound | None:  # fmt: skip
    """From the pressure of a closed volume of gas: float64[n] times and absolute pressures.

    The slope of p/Z over time, by least squares, times V M / (R T). Rising and falling count alike. None for
    too few values, or a slope that is not told from none at 95 %.
    """
    known = np.isfinite(pressure_pa)
    t, p = time_s[known], pressure_pa[known]
    if len(p) < FEWEST or float(np.ptp(t)) <= 0.0:
        return None
    held = p / np.array([compressibility(medium, float(v), temperature_k) for v in p])
    slope, slope_sd = line(t, held)
    if abs(slope) < 1.96 * slope_sd:
        return None
    per_pa_s = volume_m3 * medium.molar_kg / (R * temperature_k)
    rate = abs(slope) * per_pa_s
    hours = float(np.ptp(t)) / 3600.0
    said = f"{figure((p[-1] - p[0]) / 1e5)} bar in {figure(hours)} h"
    steps = (
        Step(f"pressure at {tag}", said, f"line through {len(p)} values while closed"),
        Step("as mass", f"{figure(rate * 3600)} kg/h",
             f"d(p/Z)/dt V M / (R T), V {figure(volume_m3)} m3, {temperature_k:.1f} K, {medium.name}"),
    )  # fmt: skip
    return Bound(rate, slope_sd * per_pa_s, steps)


def line(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Slope of the least-squares line and its standard error."""
    dx = x - x.mean()
    sxx = float(dx @ dx)
    slope = float(dx @ y) / sxx
    residual = y - y.mean() - slope * dx
    return slope, math.sqrt(float(residual @ residual) / max(1, len(x) - 2) / sxx)


def as_hole(rate_kg_s: float, medium: Medium, state: State) -> Step:
    """The hole that would let as much through, for the eye."""
    try:
        wide = hole_diameter(hole_area(rate_kg_s, medium, state))
    except ValueError:
        return Step("as a hole", "none", "no pressure difference")
    said = f"{figure(wide * 1e3)} mm across"
    return Step(
        "as a hole", said, "sharp-edged, discharge coefficient 0.61, choked or not as the pressures say"
    )
