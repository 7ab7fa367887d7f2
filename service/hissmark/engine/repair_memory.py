"""What is remembered of leaks and of repairs, so that a repair can teach losses (see `repaired`)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


class RepairMemory:
    """Arrays over channels and groups.

    Attributes:
        level: float32[channels] dB while the group's only leak was heard, NaN where not heard clearly.
        source: bool[channels] the valve that was passing. heard_us: int64[groups] when last.
        mode: int8[groups] the operating condition then.
        repaired_us: int64[channels] a repair that has taught nothing yet, 0 if there is none.
        quiet_s: float32[channels] how long the valve has been heard quiet since.
    """

    STATE_CHANNEL = ("level", "source", "repaired_us", "quiet_s")
    STATE_GROUP = ("heard_us", "mode")

    def __init__(self, channels: int, groups: int) -> None:
        self.level: F32 = np.full(channels, np.nan, np.float32)
        self.source: Bools = np.zeros(channels, bool)
        self.heard_us: I64 = np.zeros(groups, np.int64)
        self.mode: npt.NDArray[np.int8] = np.zeros(groups, np.int8)
        self.repaired_us: I64 = np.zeros(channels, np.int64)
        self.quiet_s: F32 = np.zeros(channels, np.float32)

    def repaired(self, channel: int, at_us: int) -> None:
        """A repair is on record."""
        self.repaired_us[channel], self.quiet_s[channel] = at_us, 0.0
