"""Sensor faults told apart from leaks: a leak makes a channel hear more, a fault mostly less, or nothing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge.timers import Timers
from hissmark.judge.verdicts import SensorHealth

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LOOSE_DB = 5.0
LOOSE_SCALES = 5.0
STUCK_USUAL_SPREAD_DB = 0.3
STUCK_SLOTS = 10
NOISY_DB = 15.0
SATURATED_DB = 44.0
AT_BOUND_DB = 0.1
SMALLEST_BOUND_DB = 1.0
"""With a tighter bound every background stands at it; that says nothing."""
SWAP_STEP_DB = 3.0
SWAP_MATCH_DB = 2.5
CONFIRM_S = 3600.0
"""How long a fault has to show."""
PATIENT_S = 3 * CONFIRM_S
"""The same for what looks like an operating condition that nobody knows: it may pass."""
LOUD_STUCK_S = 12 * CONFIRM_S
"""A loud even hiss read by a coarse sensor does not move either."""
DRIFT_CONFIRM_S = 6 * CONFIRM_S
"""A drift is slow: nothing is lost by looking for longer."""
NOISY_WINDOWS = 1.5
"""A step, such as a leak that starts, spreads one window and has left it after its length: a sparse sensor is
called noisy only after more than that."""


TIMED = LOOSE, STUCK, NOISY, SWAPPED, SATURATED = range(5)
"""Faults that `Timers` keeps the time of."""


class Drift(NamedTuple):
    """Whether channels have drifted away from their group; bool[channels].

    Attributes:
        shown: the background has moved to its bound, the level beyond, and the neighbours stayed.
        told: this tick can tell. Upwards a drift looks like a slow leak, save where nothing can leak.
    """

    shown: Bools
    told: Bools


class HealthBank:
    """What is wrong with each sensor, and since when it shows.

    Attributes:
        code: uint8[channels] `SensorHealth`. drift_s: float32[channels] how long a drift has shown.
        clock_wrong: bool[channels] told by the intake, which alone sees when samples arrive.
    """

    STATE = ("drift_s", "clock_wrong", "code")

    def __init__(self, channels: int) -> None:
        self.timers = Timers(channels, len(TIMED))
        self.drift_s: F32 = np.zeros(channels, np.float32)
        self.clock_wrong: Bools = np.zeros(channels, bool)
        self.code: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)

    def step(
        self, on: Bools, tick_s: float, silent: Bools, spread: F32, usual: F32, count: npt.NDArray[np.int64],
        rise: F32, scale: F32, swapped: Bools, window_s: F64, drift: Drift, alone: Bools,
    ) -> None:  # fmt: skip
        """Advance by one tick. `silent`: no fresh data. `rise`, `scale`: against the best baseline, dB.
        `window_s`: length of each channel's window. `alone`: no other of the group fell likewise."""
        self._time_drift(on & ~silent, tick_s, drift)
        living = usual > STUCK_USUAL_SPREAD_DB
        with np.errstate(invalid="ignore"):
            loose = alone & (rise < -np.maximum(LOOSE_DB, LOOSE_SCALES * scale))
            stuck = (spread == 0) & living & (count >= STUCK_SLOTS)
            noisy = spread > usual + NOISY_DB
            saturated = (spread == 0) & living & (rise > SATURATED_DB)
            loud = rise > LOOSE_DB
        self.timers.step(on & ~silent, tick_s, np.stack((loose, stuck, noisy, swapped, saturated), axis=1))
        self._say(on, silent, loud, window_s)

    def _say(self, on: Bools, silent: Bools, loud: Bools, window_s: F64) -> None:
        lasting = self.timers.lasting
        code = np.select(
            [
                self.clock_wrong, silent, lasting(SATURATED, CONFIRM_S),
                lasting(STUCK, np.where(loud, LOUD_STUCK_S, PATIENT_S)), lasting(SWAPPED, PATIENT_S),
                self.drift_s >= DRIFT_CONFIRM_S, lasting(LOOSE, PATIENT_S),
                lasting(NOISY, np.maximum(CONFIRM_S, NOISY_WINDOWS * window_s)),
            ],
            [
                SensorHealth.CLOCK_WRONG, SensorHealth.SILENT, SensorHealth.SATURATED, SensorHealth.STUCK,
                SensorHealth.SWAPPED, SensorHealth.DRIFTING, SensorHealth.LOOSE, SensorHealth.NOISY,
            ],
            SensorHealth.WELL,
        )  # fmt: skip
        self.code[on] = code[on]

    def _time_drift(self, heard: Bools, tick_s: float, drift: Drift) -> None:
        told = heard & drift.told
        back = np.maximum(np.minimum(self.drift_s, 2 * DRIFT_CONFIRM_S) - 2 * tick_s, 0.0)
        self.drift_s[told] = np.where(drift.shown, self.drift_s + tick_s, back)[told]

    @property
    def suspect(self) -> Bools:
        """Channels that look swapped or saturated, though not yet for long: not to be judged by meanwhile."""
        shown_s = self.timers.shown_s
        return np.asarray((shown_s[:, SWAPPED] > 0) | (shown_s[:, SATURATED] > 0), bool)


def drifted(
    value: F64, anchor: F64, level: F64, bound: F64, cannot_leak: Bools, usable: Bools
) -> tuple[Bools, Bools]:
    """Which channels of each group drifted alone, and of which this can be told now: `Drift`, bool[G, P].

    A background follows slow change up to a bound from where it was anchored. One that stands at its bound
    while the level is beyond it and no neighbour moved half as far has drifted. What drifts downwards is the
    sensor; what drifts upwards may be a leak that grows slowly, unless nothing can leak there now (no
    pressure difference, or no valve) and the sensor still hears it.

    Args:
        value, anchor, level: float64[G, P] dB, NaN where unknown. bound: float64[G, P] dB.
        cannot_leak: bool[G, P]. usable: bool[G, P] steady, with fresh data.
    """
    with np.errstate(invalid="ignore"):
        moved = np.where(usable, level - anchor, np.nan)
        at_bound = (
            usable
            & (bound >= SMALLEST_BOUND_DB)
            & (np.abs(value - anchor) >= bound - AT_BOUND_DB)
            & (np.abs(moved) >= bound)
        )
        told = usable & (cannot_leak | (moved < 0) | (np.abs(moved) < bound))
        along = np.sign(moved)[:, :, None] * moved[:, None, :]
    own = np.eye(moved.shape[1], dtype=bool)[None]
    others = np.where(own | np.isnan(along), -np.inf, along).max(axis=2)
    return at_bound & (others > -np.inf) & (others < 0.5 * bound), told


def fell_alone(rise: F64) -> Bools:
    """Whether no other channel of its group fell half as far, bool[G, P]: a quieter plant takes several.

    `rise`: float64[G, P] dB, NaN where unknown.
    """
    fall = np.where(np.isnan(rise), -np.inf, -rise)
    own = np.eye(fall.shape[1], dtype=bool)[None]
    others = np.where(own, -np.inf, np.repeat(fall[:, None, :], fall.shape[1], axis=1)).max(axis=2)
    return np.asarray(others < 0.5 * fall, bool)


def swapped_pairs(rise: F64, level: F64, baseline: F64) -> Bools:
    """Which channels of each group changed places: one fell, one rose, each to the other's level.

    A leak lowers nothing, so a fall and a rise that mirror each other are two cables changed over.

    Args:
        rise, level, baseline: float64[G, P] dB, NaN where unknown.
    """
    swapped = np.zeros(rise.shape, bool)
    with np.errstate(invalid="ignore"):
        fell, rose = rise < -SWAP_STEP_DB, rise > SWAP_STEP_DB
        which = np.flatnonzero(fell.any(axis=1) & rose.any(axis=1))
        if not len(which):
            return swapped
        near = np.abs(level[which][:, :, None] - baseline[which][:, None, :]) < SWAP_MATCH_DB
    pair = near & near.transpose(0, 2, 1) & fell[which][:, :, None] & rose[which][:, None, :]
    swapped[which] = pair.any(axis=2) | pair.any(axis=1)
    return swapped
