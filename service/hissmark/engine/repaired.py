"""Confirmed repairs teach losses: what a leak sounded like in its group, less what is left after the repair.

While one valve of a group passes alone, the levels that the group hears are remembered. Once a repair of that
valve is on record and its sound is gone for a while, under test conditions and in the same operating
condition, the difference is what a source at that valve sounds like: a measurement as good as a stroke.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.intake import US
from hissmark.engine.learning import WEAK_DB, measure_source
from hissmark.engine.measuring import Signal
from hissmark.engine.state import F32, Bools, State
from hissmark.engine.testable import faulty
from hissmark.judge.verdict import NONE
from hissmark.signal.levels import leak_only

HOLD_S = 1800.0
"""How long the repaired valve has to be heard quiet."""
REMEMBER_US = 1800 * US
"""How often the levels of a leak are remembered anew; half of what is remembered comes from before."""
AFTERWARDS_US = 6 * 3600 * US
"""A leak heard longer than this after a repair is not the one that was repaired."""
LONG_AGO_US = 30 * 86_400 * US
"""What a leak sounded like longer than this before its repair is no longer believed."""


def learn_from_repairs(
    state: State, at_us: int, on: Bools, signal: Signal, blocked: npt.NDArray[np.uint8], rise: F32
) -> None:
    """Remember what the leaks of this tick sound like; measure where a repaired valve has become quiet."""
    usable = (signal.unsteady == NONE) & signal.fresh & ~faulty(state)
    heard = on & state.passing & (blocked == NONE) & usable
    if heard.any():
        _remember(state, at_us, heard, signal, usable)
    waiting = np.flatnonzero(on & (state.repairs.repaired_us > 0))
    if len(waiting):
        _watch(state, at_us, waiting, signal, blocked, rise, usable)


def _remember(state: State, at_us: int, heard: Bools, signal: Signal, usable: Bools) -> None:
    memory = state.repairs
    for c in np.flatnonzero(heard).tolist():
        group = int(state.layout.group_of[c])
        rows = state.rows_of(group)
        known = memory.source[c] and memory.mode[group] == state.mode[group]
        if state.passing[rows].sum() > 1 or (known and at_us - memory.heard_us[group] < REMEMBER_US):
            continue
        level = np.where(usable[rows], signal.levels.low[rows], np.nan)
        if not known:
            memory.level[rows] = np.nan
        before = memory.level[rows]
        memory.level[rows] = np.where(np.isnan(before) | np.isnan(level), level, 0.5 * (before + level))
        memory.source[rows] = False
        memory.source[c], memory.heard_us[group], memory.mode[group] = True, at_us, state.mode[group]


def _watch(
    state: State, at_us: int, waiting: npt.NDArray[np.intp], signal: Signal, blocked: npt.NDArray[np.uint8],
    rise: F32, usable: Bools,
) -> None:  # fmt: skip
    """Measure, or give up where the remembered leak is not the repaired one."""
    memory, tick_s = state.repairs, state.settings.signal.tick_s
    for c in waiting.tolist():
        group = int(state.layout.group_of[c])
        rows = state.rows_of(group)
        since_us = int(memory.heard_us[group] - memory.repaired_us[c])
        if not memory.source[c] or not -LONG_AGO_US <= since_us <= AFTERWARDS_US:
            if at_us > memory.repaired_us[c] + AFTERWARDS_US:
                memory.repaired_us[c] = 0
            continue
        quiet = blocked[c] == NONE and usable[c] and rise[c] < WEAK_DB and not state.passing[rows].any()
        same = memory.mode[group] == state.mode[group]
        memory.quiet_s[c] = memory.quiet_s[c] + tick_s if quiet and same else 0.0
        if memory.quiet_s[c] >= HOLD_S:
            memory.repaired_us[c] = 0
            _measure(state, c, rows, signal.levels.low[rows], usable[rows])


def _measure(state: State, c: int, rows: slice, after: F32, usable: Bools) -> None:
    """Levels before less those after are the leak alone."""
    before = state.repairs.level[rows]
    alone, resolvable = leak_only(before, after)
    fell = before - after
    use = resolvable & usable & (fell >= WEAK_DB)
    if use[c - rows.start]:
        measure_source(state, c, np.where(use, alone, 0.0).astype(np.float32), use, fell)
