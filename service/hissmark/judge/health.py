"""Sensor faults told apart from leaks: a leak makes a channel hear more, a fault mostly less, or nothing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.judge.verdicts import SensorHealth

F32 = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

LOOSE_DB = 5.0
LOOSE_SCALES = 5.0
STUCK_USUAL_SPREAD_DB = 0.3
STUCK_SLOTS = 10
NOISY_DB = 15.0
CONFIRM_S = 3600.0
"""How long a fault has to show; a level that stands still takes three times as long, twelve where it stands
high: a loud even hiss read by a coarse sensor does not move either."""
LONGEST_S = 13 * CONFIRM_S


class HealthBank:
    """How long each channel has shown each fault; arrays over channels."""

    STATE = ("loose_s", "stuck_s", "noisy_s", "code")

    def __init__(self, channels: int) -> None:
        self.loose_s: F32 = np.zeros(channels, np.float32)
        self.stuck_s: F32 = np.zeros(channels, np.float32)
        self.noisy_s: F32 = np.zeros(channels, np.float32)
        self.code: npt.NDArray[np.uint8] = np.zeros(channels, np.uint8)

    def step(
        self, on: Bools, tick_s: float, silent: Bools, spread: F32, usual: F32, count: npt.NDArray[np.int64],
        rise: F32, scale: F32,
    ) -> None:  # fmt: skip
        """Advance by one tick. `silent`: no fresh data. `rise`, `scale`: against the best baseline, dB."""
        with np.errstate(invalid="ignore"):
            loose = rise < -np.maximum(LOOSE_DB, LOOSE_SCALES * scale)
            stuck = (spread == 0) & (usual > STUCK_USUAL_SPREAD_DB) & (count >= STUCK_SLOTS)
            noisy = spread > usual + NOISY_DB
        heard = on & ~silent
        for seconds, shown in ((self.loose_s, loose), (self.stuck_s, stuck), (self.noisy_s, noisy)):
            back = np.maximum(np.minimum(seconds, 2 * CONFIRM_S) - 2 * tick_s, 0.0)
            seconds[heard] = np.where(shown, seconds + tick_s, back)[heard]
            np.minimum(seconds, LONGEST_S, out=seconds)
        with np.errstate(invalid="ignore"):
            stuck_after_s = np.where(rise > LOOSE_DB, 12 * CONFIRM_S, 3 * CONFIRM_S)
        code = np.select(
            [silent, self.stuck_s >= stuck_after_s, self.loose_s >= CONFIRM_S, self.noisy_s >= CONFIRM_S],
            [SensorHealth.SILENT, SensorHealth.STUCK, SensorHealth.LOOSE, SensorHealth.NOISY],
            SensorHealth.WELL,
        )
        self.code[on] = code[on]
