"""Does sound fall off along the pipe as the register has the channels in order?

Every valve that stood open, alone in its group, was a known source. From it the levels must fall from place
to place; one further away that hears clearly more than one in between sits elsewhere than the register says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hissmark.engine.register import Channel
from hissmark.signal.levels import LIMIT_CORRECTION_DB, leak_only
from hissmark.store.blocks import Block
from hissmark.upkeep.commissioning import Point, Standing

F64 = npt.NDArray[np.float64]

FEWEST_TICKS = 5
SETTLE_TICKS = 3
"""Ticks after the opening that are left out: the window still holds what was before."""
CLEARLY_DB = 6.0
"""Couplings of sensors scatter by a couple of dB each: only a difference beyond that says something."""


@dataclass
class Openings:
    """Leak-only levels of one group while one of its valves alone stood open."""

    channels: Sequence[Channel]
    heard: dict[str, list[F64]] = field(default_factory=dict)
    """Valve that stood open (its channel) -> what every place heard then, see `_levels`."""

    def take(self, blocks: Iterable[Block]) -> Openings:
        """Add what blocks of the group's ticks hold."""
        names = [c.name for c in self.channels]
        for block in blocks:
            places = [block.channels.index(n) if n in block.channels else -1 for n in names]
            self._take(block, np.array(places, np.intp))
        return self

    def _take(self, block: Block, places: npt.NDArray[np.intp]) -> None:
        known = places >= 0
        if known.sum() < 2:
            return
        open_ = np.zeros((len(block), len(places)), bool)
        open_[:, known] = block.open_[:, places[known]] == 1
        alone = open_.sum(axis=1) == 1
        for source in np.flatnonzero((open_ & alone[:, None]).any(axis=0)).tolist():
            rows = _settled(open_[:, source] & alone)
            if len(rows):
                self.heard.setdefault(self.channels[source].name, []).extend(_levels(block, rows, places))

    def points(self) -> dict[str, Point]:
        """Channel -> whether the valves that stood open are heard there in the order of the register."""
        median = {
            source: np.median(np.stack(rows), axis=0)
            for source, rows in self.heard.items()
            if len(rows) >= FEWEST_TICKS
        }
        return {c.name: self._point(i, median) for i, c in enumerate(self.channels)}

    def _point(self, place: int, median: dict[str, F64]) -> Point:
        what = "spill pattern"
        names = [c.name for c in self.channels]
        seen = [s for s, levels in median.items() if s != names[place] and not np.isnan(levels[0, place])]
        for source in seen:
            between = _between(names.index(source), place)
            quieter = [b for b in between if median[source][0, place] > median[source][1, b] + CLEARLY_DB]
            if quieter:
                nearer = self.channels[quieter[0]].subject
                subject = self.channels[names.index(source)].subject
                found = f"hears {subject} clearly louder than {nearer}, which sits between"
                return Point(what, Standing.LOOK, found, "Compare the order in the register with the pipe.")
        if not seen:
            do = "Open a valve of the group for a quarter of an hour while the others are closed."
            return Point(what, Standing.UNSEEN, "no other valve of the group stood open alone", do)
        valves = ", ".join(self.channels[names.index(s)].subject for s in seen)
        return Point(what, Standing.FINE, f"falls off in order from {valves}")


def _settled(open_: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Ticks of each run of True but the first few."""
    starts = open_ & ~np.concatenate(([False], open_[:-1]))
    run = np.cumsum(starts)
    first = np.flatnonzero(starts)
    since = np.arange(len(open_)) - first[np.maximum(run - 1, 0)] if len(first) else np.zeros(len(open_), int)
    return np.flatnonzero(open_ & (since >= SETTLE_TICKS))


def _levels(block: Block, rows: npt.NDArray[np.intp], places: npt.NDArray[np.intp]) -> list[F64]:
    """For each tick float64[2, places]: the sound beyond the background (NaN where that cannot be told), and
    the most that it can be: a loud background hides what lies below it.
    """
    known = places >= 0
    levels = np.full((len(rows), 2, len(places)), np.nan)
    level, baseline = block.level_db[rows][:, places[known]], block.baseline_db[rows][:, places[known]]
    alone, resolvable = leak_only(level, baseline)
    levels[:, 0, known] = np.where(resolvable, alone, np.nan)
    levels[:, 1, known] = np.where(resolvable, alone, np.maximum(level, baseline) - LIMIT_CORRECTION_DB)
    return list(levels)


def _between(source: int, place: int) -> range:
    """Places between two, the nearer to `source` first."""
    return range(source + 1, place) if source < place else range(source - 1, place, -1)
