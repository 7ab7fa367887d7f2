"""Sensor faults told apart from leaks: a leak makes a channel hear more, a fault mostly less, or nothing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

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
"""How long a fault has to show; a level that stands still takes three times as long, twelve where it stands
high: a loud even hiss read by a coarse sensor does not move either."""
LONGEST_S = 13 * CONFIRM_S
DRIFT_CONFIRM_S = 6 * CONFIRM_S
"""A drift is slow: nothing is lost by looking for longer."""
NOISY_WINDOWS = 1.5
"""A step, such as a leak that starts, spreads one window and has left it after its length: a sparse sensor is
called noisy only after more than that."""


class Drift(NamedTuple):
    """Whether channels have drifted away from their group; bool[channels].

    Attributes:
        shown: the background has moved to its bound, the level beyond, and the neighbours stayed.
        told: this tick can tell. Upwards a drift looks like a slow leak, save where nothing can leak.
    """

    shown: Bools
    told: Bools


class HealthBank:
    """How long each channel has shown each fault; arrays over channels."""

    STATE = ("loose_s", "stuck_s", "noisy_s", "swapped_s", "saturated_s", "drift_s", "clock_wrong", "code")

    def __init__(self, channels: int) -> None:
        self.loose_s: F32 = np.zeros(channels, np.float32)
        self.stuck_s: F32 = np.zeros(channels, np.float32)
        self.noisy_s: F32 = np.zeros(channels, np.float32)
        self.swapped_s: F32 = np.zeros(channels, np.float32)
        self.saturated_s: F32 = np.zeros(channels, np.float32)
        self.drift_s: F32 = np.zeros(channels, np.float32)
        self.clock_wrong: Bools = np.zeros(channels, bool)
        """Told by the intake, which alone sees when samples arrive; on record as a change."""
        self.code: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)

    def step(
        self, on: Bools, tick_s: float, silent: Bools, spread: F32, usual: F32, count: npt.NDArray[np.int64],
        rise: F32, scale: F32, swapped: Bools, window_s: F64, drift: Drift,
    ) -> None:  # fmt: skip
        """Advance by one tick. `silent`: no fresh data. `rise`, `scale`: against the best baseline, dB.
        `window_s`: length of each channel's window."""
        self._time_drift(on & ~silent, tick_s, drift)
        noisy_after_s = np.maximum(CONFIRM_S, NOISY_WINDOWS * window_s)
        with np.errstate(invalid="ignore"):
            loose = rise < -np.maximum(LOOSE_DB, LOOSE_SCALES * scale)
            stuck = (spread == 0) & (usual > STUCK_USUAL_SPREAD_DB) & (count >= STUCK_SLOTS)
            noisy = spread > usual + NOISY_DB
            saturated = (spread == 0) & (usual > STUCK_USUAL_SPREAD_DB) & (rise > SATURATED_DB)
        heard = on & ~silent
        for seconds, shown in (
            (self.loose_s, loose), (self.stuck_s, stuck), (self.noisy_s, noisy), (self.swapped_s, swapped),
            (self.saturated_s, saturated),
        ):  # fmt: skip
            back = np.maximum(np.minimum(seconds, 2 * CONFIRM_S) - 2 * tick_s, 0.0)
            seconds[heard] = np.where(shown, seconds + tick_s, back)[heard]
            np.minimum(seconds, np.maximum(LONGEST_S, noisy_after_s), out=seconds)
        with np.errstate(invalid="ignore"):
            stuck_after_s = np.where(rise > LOOSE_DB, 12 * CONFIRM_S, 3 * CONFIRM_S)
        code = np.select(
            [
                self.clock_wrong, silent, self.saturated_s >= CONFIRM_S, self.stuck_s >= stuck_after_s,
                self.swapped_s >= CONFIRM_S, self.drift_s >= DRIFT_CONFIRM_S, self.loose_s >= CONFIRM_S,
                self.noisy_s >= noisy_after_s,
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
        return np.asarray((self.swapped_s > 0) | (self.saturated_s > 0), bool)


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
