"""How long each channel has shown each fault, and how long such spells lasted that ended by themselves.

What comes and goes (an operating condition quieter than those learned, levels that mirror each other now and
then) shows the signs of a fault for as long as it lasts. A sensor that came off, stands still or hangs on the
wrong cable stays so until somebody has been there. So a fault has to show for longer than any spell of the
channel that ended by itself.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

DAY_S = 86_400.0
LONGEST_S = 2 * DAY_S
BY_ITSELF_S = DAY_S
"""A spell longer than this is ended by somebody, not by itself."""
LONGER = 1.5
BACK_FROM_S = 7200.0
"""A fault that no longer shows is over when this is used up, however long it showed."""


class Timers:
    """Arrays float32[channels, faults]: seconds shown now, longest of this spell, longest that ended."""

    STATE = ("shown_s", "spell_s", "ended_s")

    def __init__(self, channels: int, faults: int) -> None:
        self.shown_s: F32 = np.zeros((channels, faults), np.float32)
        self.spell_s: F32 = np.zeros((channels, faults), np.float32)
        self.ended_s: F32 = np.zeros((channels, faults), np.float32)

    def step(self, on: Bools, tick_s: float, shown: Bools, back_ticks: F64) -> None:
        """One tick: `on` which can be told, `shown` which show; bool[channels, faults].

        `back_ticks`: float64[faults], what a tick takes off that does not show the fault.
        """
        back = np.maximum(np.minimum(self.shown_s, BACK_FROM_S) - back_ticks * tick_s, 0.0)
        moved = np.minimum(np.where(shown, self.shown_s + tick_s, back), LONGEST_S)
        self.shown_s = np.where(on, moved, self.shown_s).astype(np.float32)
        ends = on & (self.shown_s == 0) & (self.spell_s > 0)
        if ends.any():
            mine = ends & (self.spell_s <= BY_ITSELF_S)
            self.ended_s = np.where(mine, np.maximum(self.ended_s, self.spell_s), self.ended_s)
            self.spell_s = np.where(ends, 0.0, self.spell_s).astype(np.float32)
        self.spell_s = np.maximum(self.spell_s, self.shown_s)

    def forget(self, channel: int) -> None:
        """Somebody has been there: what the channel did before says nothing any more."""
        self.shown_s[channel] = self.spell_s[channel] = self.ended_s[channel] = 0.0

    def lasting(self, fault: int, after_s: npt.ArrayLike) -> Bools:
        """Which channels have shown a fault for `after_s`, and for longer than what ended by itself."""
        wanted = np.maximum(after_s, np.minimum(LONGER * self.ended_s[:, fault], LONGEST_S))
        return np.asarray(self.shown_s[:, fault] >= wanted)
