"""What happens at the invented works and when: leaks, repairs, machines switching, a valve that strokes.

Everything is a function of event time, so the past can be drawn as easily as the present.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.demo.noise import F64, one_uniform, stream

S = 1_000_000
"""Microseconds in a second."""

MINUTE_US = 60 * S


@dataclass(frozen=True, slots=True)
class Leak:
    """A valve that starts to pass: grows from `start_us` to `full_us`, ends with its repair at `end_us`.

    `rise_db` is how far the full leak, alone, lies above the background at its own sensor.
    """

    valve: str
    start_us: int
    full_us: int
    end_us: int
    rise_db: float

    def strength_db(self, t_us: npt.NDArray[np.int64]) -> F64:
        """Level of the leak relative to the background at its sensor, dB; -inf before and after."""
        grown = np.clip((t_us - self.start_us) / max(self.full_us - self.start_us, 1), 0.0, 1.0)
        onset_db = -10.0
        level = onset_db + (self.rise_db - onset_db) * np.sqrt(grown)
        return np.asarray(
            np.where((t_us >= self.start_us) & (t_us < self.end_us), level, -np.inf), np.float64
        )


@dataclass(frozen=True, slots=True)
class Cycle:
    """Something that comes and goes: on for `on_s` out of every `period_s` seconds."""

    period_s: float
    on_s: float
    offset_s: float = 0.0

    def on(self, t_us: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        """Whether it is on at each time."""
        phase_us = (t_us - int(self.offset_s * S)) % int(self.period_s * S)
        return np.asarray(phase_us < int(self.on_s * S))


@dataclass(frozen=True, slots=True)
class Story:
    """The leaks in order, and the cycles."""

    leaks: tuple[Leak, ...]
    compressor: Cycle
    pump: Cycle
    stroke: Cycle
    trap: Cycle

    @classmethod
    def quiet(cls, seed: int) -> Story:
        """The works with no leak at all."""
        return cls((), *_cycles(seed))

    @classmethod
    def told(cls, seed: int, live_us: int, speed: float) -> Story:
        """The demo: a leak soon after going live, its repair, a second leak elsewhere, and so on.

        Waits are meant for the person watching, so they are counted in wall time and stretched by `speed`;
        each is long enough in event time for windows to fill and alarms to come and go.
        """
        return cls(_leaks(live_us, speed), *_cycles(seed))


CAST = (
    ("XV-104", 14.0),
    ("XV-303", 12.0),
    ("XV-403", 13.0),
    ("XV-103", 10.0),
    ("XV-304", 14.0),
    ("XV-402", 12.0),
)
"""Which valves pass one after the other, and by how much, dB."""

_ROUNDS = 8


def _leaks(live_us: int, speed: float) -> tuple[Leak, ...]:
    """A leak at a time; see `Story.told`."""
    lasts_us = int(max(150 * speed, 75 * 60)) * S
    pause_us = int(max(75 * speed, 45 * 60)) * S
    start_us = live_us + int(max(4 * speed, 10)) * S
    out = []
    for valve, rise_db in CAST * _ROUNDS:
        out.append(Leak(valve, start_us, start_us + 2 * MINUTE_US, start_us + lasts_us, rise_db))
        start_us += lasts_us + pause_us
    return tuple(out)


def _cycles(seed: int) -> tuple[Cycle, Cycle, Cycle, Cycle]:
    def offset(name: str, period_s: float) -> float:
        return one_uniform(stream(seed, "cycle", name)) * period_s

    return (
        Cycle(4 * 3600.0, 2.5 * 3600.0, offset("compressor", 4 * 3600.0)),
        Cycle(3 * 3600.0, 1.5 * 3600.0, offset("pump", 3 * 3600.0)),
        Cycle(2 * 3600.0, 240.0, offset("stroke", 2 * 3600.0)),
        Cycle(170.0, 36.0, offset("trap", 170.0)),
    )
