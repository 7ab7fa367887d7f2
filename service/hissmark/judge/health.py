"""Sensor faults told apart from leaks: a leak makes a channel hear more, a fault mostly less, or nothing."""

from __future__ import annotations

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
SWAP_STEP_DB = 3.0
SWAP_MATCH_DB = 2.5
CONFIRM_S = 3600.0
"""How long a fault has to show; a level that stands still takes three times as long, twelve where it stands
high: a loud even hiss read by a coarse sensor does not move either."""
LONGEST_S = 13 * CONFIRM_S
NOISY_WINDOWS = 1.5
"""A step, such as a leak that starts, spreads one window and has left it after its length: a sparse sensor is
called noisy only after more than that."""


class HealthBank:
    """How long each channel has shown each fault; arrays over channels."""

    STATE = ("loose_s", "stuck_s", "noisy_s", "swapped_s", "saturated_s", "code")

    def __init__(self, channels: int) -> None:
        self.loose_s: F32 = np.zeros(channels, np.float32)
        self.stuck_s: F32 = np.zeros(channels, np.float32)
        self.noisy_s: F32 = np.zeros(channels, np.float32)
        self.swapped_s: F32 = np.zeros(channels, np.float32)
        self.saturated_s: F32 = np.zeros(channels, np.float32)
        self.code: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)

    def step(
        self, on: Bools, tick_s: float, silent: Bools, spread: F32, usual: F32, count: npt.NDArray[np.int64],
        rise: F32, scale: F32, swapped: Bools, window_s: F64,
    ) -> None:  # fmt: skip
        """Advance by one tick. `silent`: no fresh data. `rise`, `scale`: against the best baseline, dB.
        `window_s`: length of each channel's window."""
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
                silent, self.saturated_s >= CONFIRM_S, self.stuck_s >= stuck_after_s,
                self.swapped_s >= CONFIRM_S, self.loose_s >= CONFIRM_S, self.noisy_s >= noisy_after_s,
            ],
            [
                SensorHealth.SILENT, SensorHealth.SATURATED, SensorHealth.STUCK, SensorHealth.SWAPPED,
                SensorHealth.LOOSE, SensorHealth.NOISY,
            ],
            SensorHealth.WELL,
        )  # fmt: skip
        self.code[on] = code[on]

    @property
    def suspect(self) -> Bools:
        """Channels that look swapped or saturated, though not yet for long: not to be judged by meanwhile."""
        return np.asarray((self.swapped_s > 0) | (self.saturated_s > 0), bool)


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
