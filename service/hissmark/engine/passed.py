"""Sounds that were called a leak and ended by themselves, kept so that they are known when they come back.

A leak does not heal. What a valve was blamed for, and what then ended under test conditions without a repair
and without a stroke of that valve, was either no leak (an operating condition not known then) or one that
something else switches on and off. When it has done so twice and the same sound comes back, the same in every
channel, it cannot be told which of the two it is: `contested`, until somebody has looked. Once is not enough:
repairs are not always put on record, and a valve may leak again as it did before.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.measuring import Signal
from hissmark.engine.state import F32, Bools, State
from hissmark.judge.heard import row_median
from hissmark.judge.verdict import NONE

SAME_DB = 2.0
SAME_SCALES = 3.0
"""Levels nearer than this are the same sound."""
COMMON_DB = 3.0
"""A group that is louder or quieter as a whole by up to this is the same still: everything around it is."""
TIMES = 2
"""So often has it come and gone before."""
FEWEST = 2
"""Channels that must be heard, and half of those that were."""


def note_ended(
    state: State, at_us: int, on: Bools, blocked: npt.NDArray[np.uint8], calm: Bools
) -> None:  # fmt: skip
    """Keep the sound of leaks that have ended by themselves (`calm`: bool[groups] as usual again)."""
    memory, of = state.passed, state.layout.group_of
    sole = np.flatnonzero(on & state.passing & state.repairs.source)
    memory.sounding[of[sole]] = sole - state.layout.first[of[sole]]
    for group in np.flatnonzero(calm & (memory.sounding >= 0)).tolist():
        c = int(state.layout.first[group]) + int(memory.sounding[group])
        if not on[c] or blocked[c] != NONE:
            continue
        memory.sounding[group] = -1
        if state.repairs.source[c] and not state.repairs.repaired_us[c]:
            rows = state.rows_of(group)
            memory.keep(
                group, c - rows.start, int(state.repairs.heard_us[group]), rows, state.repairs.level[rows]
            )


def heard_before(state: State, signal: Signal, scale: F32) -> Bools:
    """Channels of groups that now sound as they did in episodes that ended by themselves, bool[channels].

    A valve that has moved since may seat otherwise: what it sounded like before says nothing more.
    """
    memory, of = state.passed, state.layout.group_of
    if not ((memory.source >= 0).sum(axis=1) >= TIMES).any():
        return np.zeros(len(of), bool)
    same = np.zeros(len(memory.sounding), np.int8)
    usable = signal.fresh & (signal.unsteady == NONE) & ~np.isnan(signal.levels.low)
    for slot in range(memory.source.shape[1]):
        then = memory.level[:, slot].astype(np.float32)
        known = ~np.isnan(then)
        both = known & usable
        apart = np.where(both, signal.levels.low - then, np.nan)
        with np.errstate(invalid="ignore"):
            off = np.abs(apart - _common(state, apart)) > np.maximum(SAME_DB, SAME_SCALES * scale)
        count, had, differ = (np.bincount(of[a], minlength=len(same)) for a in (both, known, both & off))
        source = state.layout.first + np.maximum(memory.source[:, slot], 0)
        valid = (memory.source[:, slot] >= 0) & (state.stroked_us[source] < memory.heard_us[:, slot])
        same += valid & (differ == 0) & (count >= FEWEST) & (2 * count >= had)
    return np.asarray(same[of] >= TIMES, bool)


def _common(state: State, apart: F32) -> F32:
    """What the whole group is louder by than it was then, float32[channels] dB, within bounds."""
    laid = np.asarray(state.geometry.spread(apart, np.nan), np.float64)
    common = np.clip(row_median(laid, 0.0), -COMMON_DB, COMMON_DB)
    return common.astype(np.float32)[state.layout.group_of]
