"""What is remembered of sounds that were called a leak and ended by themselves (see `passed`)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

EPISODES = 4


class PassedMemory:
    """Arrays over channels and groups.

    Attributes:
        level: float16[channels, EPISODES] dB, NaN where not heard.
        source: int8[groups, EPISODES] place of the valve that was blamed, -1 where nothing is kept.
        heard_us: int64[groups, EPISODES] when it was last heard.
        sounding: int8[groups] place of the valve that passes now, -1 where none does.
    """

    STATE_CHANNEL = ("level",)
    STATE_GROUP = ("source", "heard_us", "sounding")

    def __init__(self, channels: int, groups: int) -> None:
        self.level = np.full((channels, EPISODES), np.nan, np.float16)
        self.source: npt.NDArray[np.int8] = np.full((groups, EPISODES), -1, np.int8)
        self.heard_us: npt.NDArray[np.int64] = np.zeros((groups, EPISODES), np.int64)
        self.sounding: npt.NDArray[np.int8] = np.full(groups, -1, np.int8)

    def keep(
        self, group: int, place: int, heard_us: int, rows: slice, level: npt.NDArray[np.float32]
    ) -> None:
        """An episode has ended; the oldest falls out."""
        self.level[rows, 1:] = self.level[rows, :-1]
        self.source[group, 1:] = self.source[group, :-1]
        self.heard_us[group, 1:] = self.heard_us[group, :-1]
        self.heard_us[group, 0] = heard_us
        self.level[rows, 0], self.source[group, 0] = level, place

    def forget(self, group: int) -> None:
        """Somebody has repaired something here."""
        self.source[group], self.sounding[group] = -1, -1
