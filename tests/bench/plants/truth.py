"""What really happens in a simulated group: leaks, sensor faults, nuisances."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

BIN_S = 600
"""The truth is kept in bins of ten minutes."""
STANDS_DB = 6.0
"""A leak stands out from this leak-only level over the background on."""
STANDS_FOR_BINS = 12
"""... if it does so for two hours on end."""

Bools = npt.NDArray[np.bool_]
F32 = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Event:
    """Something that happened, in seconds of plant time. `channels` empty means the whole group."""

    kind: str
    start_s: float
    end_s: float
    channels: tuple[int, ...] = ()
    detail: str = ""

    def concerns(self, channel: int) -> bool:
        return not self.channels or channel in self.channels


@dataclass
class Leak:
    """One valve passing.

    Attributes:
        stand_db: float32[bins], leak power over everything that is not a leak, at its own channel.
        clear_db: the same, with the spill of other leaks counted among what it must stand out of.
        loudest_db: float32[bins], the most by which it stands out at any channel of the group.
        testable: bool[bins], valve closed and settled, pressure difference there, sensor well and heard.
    """

    channel: int
    start_s: float
    end_s: float
    peak_db: float
    ramp_s: float
    pressure_slope: float
    learning: bool
    stand_db: F32 = field(default_factory=lambda: np.empty(0, np.float32))
    clear_db: F32 = field(default_factory=lambda: np.empty(0, np.float32))
    loudest_db: F32 = field(default_factory=lambda: np.empty(0, np.float32))
    testable: Bools = field(default_factory=lambda: np.empty(0, np.bool_))

    def passes_at(self, fair: bool) -> float | None:
        """Start in seconds of the first two hours on end in which it stands; None if there are none."""
        over = (self.clear_db if fair else self.stand_db) >= STANDS_DB
        start = first_run(over & self.testable, STANDS_FOR_BINS)
        return None if start is None else max(start * BIN_S, self.start_s)


@dataclass(frozen=True)
class Fault:
    """One sensor at fault. `plain` from the time on at which anyone could notice; None if nobody can."""

    kind: str
    channel: int
    start_s: float
    end_s: float
    plain_s: float | None
    detail: str = ""


@dataclass
class Truth:
    """All that the scorer may know about one group.

    Attributes:
        learned_s: float64[channels], when each channel has had 48 hours and 200 samples of test conditions.
        heard: bool[bins, channels], fresh data in the bin. flowing: open without a position tag to say so.
        loss_db: float64[channels, channels], true transmission loss.
    """

    leaks: list[Leak]
    faults: list[Fault]
    events: list[Event]
    learned_s: npt.NDArray[np.float64]
    heard: Bools
    flowing: Bools
    loss_db: npt.NDArray[np.float64]


def first_run(mask: Bools, length: int) -> int | None:
    """Index at which the first run of at least `length` true values starts."""
    padded = np.concatenate(([False], mask, [False])).astype(np.int8)
    change = np.diff(padded)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    long = np.flatnonzero(ends - starts >= length)
    return int(starts[long[0]]) if len(long) else None
