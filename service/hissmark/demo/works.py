"""The invented site of the demo: the Tarnwick algae works, which exists nowhere.

Algae grow in raceway ponds that are fed with carbon dioxide, washed with brine, dried with steam and moved
with compressed air. Five stretches of pipework, five to seven valves each, a sensor on every valve and a
reference point on the pipe at both ends of each stretch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

SITE_NAME = "Tarnwick algae works"
COMPRESSOR = "K-30.run"
PUMP = "P-50.run"
STROKING_VALVE = "XV-503"


@dataclass(frozen=True, slots=True)
class Fitting:
    """One sensor on the pipe. Distance and flanged joints count from the sensor before it.

    Attributes:
        interval_s: how often it reports. percentiles: whether it sends L10, L50 and L90 instead of one level.
        heard: whether the valve's position arrives as a process tag.
    """

    channel: str
    valve: str | None
    distance_m: float
    joints: int
    interval_s: float = 10.0
    percentiles: bool = False
    heard: bool = True

    @property
    def position_tag(self) -> str | None:
        return None if self.valve is None or not self.heard else self.valve.replace("XV-", "ZT-")


@dataclass(frozen=True)
class Stretch:
    """A group: pipework short enough for sound to carry between its sensors.

    Attributes:
        background_db: level with nothing going on. running_db: how much louder while `condition` runs.
        upstream_bar, downstream_bar: usual pressures.
    """

    group: str
    number: int
    service: str
    size_mm: float
    valve_type: str
    consequence: str
    background_db: float
    upstream_bar: float
    downstream_bar: float
    fittings: tuple[Fitting, ...]
    condition: str | None = None
    running_db: float = 0.0

    @property
    def upstream_tag(self) -> str:
        return f"PT-{self.number}00"

    @property
    def downstream_tag(self) -> str:
        return f"PT-{self.number}99"

    @cached_property
    def metres(self) -> tuple[float, ...]:
        """Distance of each fitting from the first, m."""
        return tuple(accumulate(f.distance_m for f in self.fittings))

    @cached_property
    def joints(self) -> tuple[float, ...]:
        """Flanged joints between each fitting and the first."""
        return tuple(accumulate(float(f.joints) for f in self.fittings))

    @cached_property
    def place_of(self) -> dict[str, int]:
        """Valve -> index of its fitting."""
        return {f.valve: i for i, f in enumerate(self.fittings) if f.valve is not None}


def _reference(name: str, distance_m: float, interval_s: float = 10.0) -> Fitting:
    return Fitting(name, None, distance_m, 1 if distance_m else 0, interval_s)


def _valve(
    tag: str,
    distance_m: float,
    joints: int,
    interval_s: float = 10.0,
    percentiles: bool = False,
    heard: bool = True,
) -> Fitting:
    return Fitting("AE-" + tag[3:], tag, distance_m, joints, interval_s, percentiles, heard)


PONDS = Stretch(
    "pond-feed", 1, "carbon dioxide gas", 50, "ball", "medium", 24.0, 12.0, 1.6,
    (
        _reference("AE-100", 0.0),
        _valve("XV-101", 5.0, 1),
        _valve("XV-102", 6.0, 2),
        _valve("XV-103", 6.0, 2, 2.0),
        _valve("XV-104", 7.0, 2, 2.0),
        _valve("XV-105", 6.0, 2, 2.0),
        _valve("XV-106", 6.0, 2),
        _valve("XV-107", 8.0, 1, heard=False),
        _reference("AE-190", 6.0),
    ),
)  # fmt: skip

VAPORISER = Stretch(
    "vaporiser", 2, "carbon dioxide liquid", 25, "globe", "high", 27.0, 21.0, 12.0,
    (
        _reference("AE-200", 0.0, 60.0),
        _valve("XV-201", 4.0, 2, 60.0),
        _valve("XV-202", 3.0, 2, 60.0),
        _valve("XV-203", 5.0, 2, 60.0),
        _valve("XV-204", 4.0, 2, 600.0),
        _valve("XV-205", 5.0, 1, 60.0),
        _reference("AE-290", 6.0, 60.0),
    ),
)  # fmt: skip

AIR = Stretch(
    "conveying-air", 3, "compressed air", 80, "butterfly", "low", 28.0, 7.5, 1.1,
    (
        _reference("AE-300", 0.0),
        _valve("XV-301", 8.0, 1),
        _valve("XV-302", 7.0, 2),
        _valve("XV-303", 7.0, 2),
        _valve("XV-304", 9.0, 1),
        _valve("XV-305", 7.0, 2),
        _valve("XV-306", 7.0, 2),
        _reference("AE-390", 9.0),
    ),
    COMPRESSOR, 6.0,
)  # fmt: skip

STEAM = Stretch(
    "dryer-steam", 4, "saturated steam", 40, "globe", "high", 31.0, 11.0, 2.5,
    (
        _reference("AE-400", 0.0),
        _valve("XV-401", 4.0, 2),
        _valve("XV-402", 5.0, 2, 2.0),
        _valve("XV-403", 5.0, 2, 2.0),
        _valve("XV-404", 5.0, 2),
        _valve("XV-405", 4.0, 2),
        _valve("XV-406", 6.0, 1),
        _reference("AE-490", 5.0),
    ),
)  # fmt: skip

BRINE = Stretch(
    "harvest-brine", 5, "brine", 65, "diaphragm", "low", 26.0, 6.0, 1.8,
    (
        _reference("AE-500", 0.0),
        _valve("XV-501", 6.0, 2),
        _valve("XV-502", 6.0, 2),
        _valve("XV-503", 8.0, 2),
        _valve("XV-504", 7.0, 2),
        _valve("XV-505", 6.0, 1, 60.0),
        _valve("XV-506", 8.0, 2, 600.0, percentiles=True),
        _reference("AE-590", 7.0),
    ),
    PUMP, 4.0,
)  # fmt: skip

STRETCHES = (PONDS, VAPORISER, AIR, STEAM, BRINE)

TRAP_AT_M = 17.0
"""Where on the dryer's steam main the trap sits, metres from the first reference point."""
