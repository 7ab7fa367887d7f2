"""States of a group that nothing known explains, kept until they come back.

A leak begins once and stays. An operating condition comes, goes and comes again: only a joint level that the
group has visited in two separate episodes, with ordinary quiet between them, is taken for a condition.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.baseline.modes import SMALLEST_COUNT, cluster, column_medians
from hissmark.baseline.robust import MAD_FACTOR

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]
Levels = npt.NDArray[np.float64]

RING = 64


class Strangers:
    """Rings of joint levels heard in unknown states; C channels, G groups.

    Attributes:
        level: float16[C, RING] dB, NaN where empty. stamp: int32[G, RING] stride number, 0 where empty.
            A stamp without any level marks that the group was quiet again.
        head: int16[G]. fresh: bool[G] something was added since the last look.
    """

    STATE_CHANNEL = ("level",)
    STATE_GROUP = ("stamp", "head", "fresh")

    def __init__(self, channels: int, groups: int) -> None:
        self.level = np.full((channels, RING), np.nan, np.float16)
        self.stamp: npt.NDArray[np.int32] = np.zeros((groups, RING), np.int32)
        self.head: npt.NDArray[np.int16] = np.zeros(groups, np.int16)
        self.fresh: Bools = np.zeros(groups, bool)

    def record(
        self,
        stride: int,
        groups: Bools,
        group_of: npt.NDArray[np.int32],
        fit: Bools,
        level_db: npt.NDArray[np.float32],
    ) -> None:
        """Add what the channels of `groups` (bool[G]) hear now."""
        if not groups.any():
            return
        mine = np.flatnonzero(groups[group_of])
        place = self.head[group_of[mine]]
        self.level[mine, place] = np.where(fit[mine], np.clip(level_db[mine], -500, 500), np.nan)
        which = np.flatnonzero(groups)
        self.stamp[which, self.head[which]] = stride
        self.head[which] = (self.head[which] + 1) % RING
        self.fresh[which] = True

    def mark_quiet(self, stride: int, groups: Bools, group_of: npt.NDArray[np.int32]) -> None:
        """The `groups` (bool[G]) are as usual: what comes from here on is another episode."""
        last = (self.head - 1) % RING
        rows = np.arange(len(self.head))
        begun = np.flatnonzero(groups & (self.stamp[rows, last] > 0))
        if not len(begun):
            return
        # the last entry of each group, as all its channels heard it
        heard = np.zeros(len(self.head), bool)
        np.logical_or.at(heard, group_of, ~np.isnan(self.level[np.arange(len(self.level)), last[group_of]]))
        ended = np.zeros(len(self.head), bool)
        ended[begun] = heard[begun]
        if not ended.any():
            return
        mine = np.flatnonzero(ended[group_of])
        self.level[mine, self.head[group_of[mine]]] = np.nan
        which = np.flatnonzero(ended)
        self.stamp[which, self.head[which]] = stride
        self.head[which] = (self.head[which] + 1) % RING

    def recurring(self, group: int, rows: Ints) -> tuple[Levels | None, Levels | None]:
        """Level and scale (float64[rows]) of a state visited in two episodes; its entries are used up."""
        used = np.flatnonzero(self.stamp[group] > 0)
        if len(used) < 2 * SMALLEST_COUNT or not len(rows):
            return None, None
        used = used[np.argsort(self.stamp[group, used], kind="stable")]
        joint = self.level[np.ix_(rows, used)].T.astype(np.float64)
        heard = ~np.isnan(joint).all(axis=1)
        episode = np.cumsum(~heard)[heard]
        used, joint = used[heard], joint[heard]
        if len(used) < 2 * SMALLEST_COUNT:
            return None, None
        labels = cluster(joint, 4)
        for k in range(labels.max() + 1):
            mine = labels == k
            if len(np.unique(episode[mine])) < 2 or mine.sum() < 2 * SMALLEST_COUNT:
                continue
            centre = column_medians(joint[mine])
            scale = MAD_FACTOR * column_medians(np.abs(joint[mine] - centre))
            self.stamp[group, used[mine]] = 0
            return centre, scale
        return None, None
