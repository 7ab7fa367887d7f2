"""States of a group that nothing known explains, kept until they come back.

A leak begins once and stays. An operating condition comes, goes and comes again: a joint level that the
group has visited in two separate episodes, with ordinary quiet between them, is taken for a condition. So is,
at its first visit, one that has stood still for hours and that no source explains.
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
STANDS = 12
"""So many entries on end are a state that stands: six hours, at half an hour from one to the next."""
STILL_DB = 2.0
"""A state that stands moves no further than this in any channel meanwhile."""


class Strangers:
    """Rings of joint levels heard in unknown states; C channels, G groups.

    Attributes:
        level: float16[C, RING] dB, NaN where empty. stamp: int32[G, RING] stride number, 0 where empty.
            A stamp without any level marks that the group was quiet again.
        named: int8[G, RING] the operating condition that process tags named, 0 without tags.
        head: int16[G]. fresh: bool[G] something was added since the last look.
    """

    STATE_CHANNEL = ("level",)
    STATE_GROUP = ("stamp", "named", "head", "fresh")

    def __init__(self, channels: int, groups: int) -> None:
        self.level = np.full((channels, RING), np.nan, np.float16)
        self.stamp: npt.NDArray[np.int32] = np.zeros((groups, RING), np.int32)
        self.named: npt.NDArray[np.int8] = np.zeros((groups, RING), np.int8)
        self.head: npt.NDArray[np.int16] = np.zeros(groups, np.int16)
        self.fresh: Bools = np.zeros(groups, bool)

    def record(
        self,
        stride: int,
        groups: Bools,
        group_of: npt.NDArray[np.int32],
        fit: Bools,
        level_db: npt.NDArray[np.float32],
        named: Ints,
    ) -> None:
        """Add what the channels of `groups` (bool[G]) hear now, in conditions `named` (int[G]) by tags."""
        if not groups.any():
            return
        mine = np.flatnonzero(groups[group_of])
        place = self.head[group_of[mine]]
        self.level[mine, place] = np.where(fit[mine], np.clip(level_db[mine], -500, 500), np.nan)
        which = np.flatnonzero(groups)
        self.stamp[which, self.head[which]] = stride
        self.named[which, self.head[which]] = named[which]
        self.head[which] = (self.head[which] + 1) % RING
        self.fresh[which] = True

    def quiet(self, group_of: npt.NDArray[np.int32]) -> bool:
        """Whether `mark_quiet` has nothing to mark in any group: nothing was heard since it last did."""
        last = (self.head - 1) % RING
        begun = self.stamp[np.arange(len(self.head)), last] > 0
        if not begun.any():
            return True
        heard = ~np.isnan(self.level[np.arange(len(self.level)), last[group_of]])
        return not bool((heard & begun[group_of]).any())

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

    def recurring(self, group: int, rows: Ints) -> tuple[Ints, int, Levels, Levels] | None:
        """A state visited in two episodes, its entries used up; None if there is none.

        Args:
            rows: channels of the group.

        Returns:
            Channels that were heard, the condition named by tags meanwhile, level and scale (float64[rows]).
        """
        used = np.flatnonzero(self.stamp[group] > 0)
        if len(used) < 2 * SMALLEST_COUNT or not len(rows):
            return None
        used = used[np.argsort(self.stamp[group, used], kind="stable")]
        joint = self.level[np.ix_(rows, used)].T.astype(np.float64)
        heard = ~np.isnan(joint).all(axis=1)
        episode = np.cumsum(~heard)[heard]
        used, joint = used[heard], joint[heard]
        if len(used) < 2 * SMALLEST_COUNT:
            return None
        for named in np.unique(self.named[group, used]).tolist():
            there = self.named[group, used] == named
            found = _returned(joint[there], episode[there])
            if found is not None:
                mine, centre, scale = found
                self.stamp[group, used[there][mine]] = 0
                known = ~np.isnan(centre)
                return rows[known], int(named), centre[known], scale[known]
        return None

    def standing(self, group: int, rows: Ints) -> tuple[Ints, int, Levels, Levels] | None:
        """The state that stands now and has stood for `STANDS` entries on end; None if it is none.

        Arguments and results are those of `recurring`, but that the entries are kept.
        """
        last = (self.head[group] - 1 - np.arange(STANDS)) % RING
        if not len(rows) or (self.stamp[group, last] == 0).any() or np.ptp(self.named[group, last]):
            return None
        joint = self.level[np.ix_(rows, last)].T.astype(np.float64)
        heard = (~np.isnan(joint)).mean(axis=0) >= 0.5
        if np.isnan(joint).all(axis=1).any() or heard.sum() < 2:
            return None
        centre = column_medians(joint[:, heard])
        if np.nanmax(np.abs(joint[:, heard] - centre)) > STILL_DB:
            return None
        scale = MAD_FACTOR * column_medians(np.abs(joint[:, heard] - centre))
        return rows[heard], int(self.named[group, last[0]]), centre, scale

    def use_up(self, group: int) -> None:
        """The state that stands is known from here on."""
        self.stamp[group, (self.head[group] - 1 - np.arange(STANDS)) % RING] = 0


def _returned(joint: Levels, episode: Ints) -> tuple[Bools, Levels, Levels] | None:
    """Which entries are a state that came back, its level and scale; None if nothing did."""
    if len(joint) < 2 * SMALLEST_COUNT:
        return None
    labels = cluster(joint, 4)
    for k in range(labels.max() + 1):
        mine = labels == k
        if len(np.unique(episode[mine])) < 2 or mine.sum() < 2 * SMALLEST_COUNT:
            continue
        centre = column_medians(joint[mine])
        return mine, centre, MAD_FACTOR * column_medians(np.abs(joint[mine] - centre))
    return None
