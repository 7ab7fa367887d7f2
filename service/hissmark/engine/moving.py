"""When something in a group last moved, and whose windows still hold the sound from before.

Windows of one group turn over at different speeds: a sensor that measures rarely shows the old sound longer
than its neighbours. Until each window has turned over, the group is heard partly before and partly after the
change, and whoever seems the source may be an echo of what has just ended. A leak only ever raises levels; so
after a fall, a stroke, or another operating condition by the tags, a valve is blamed no sooner than its own
window has turned over; after a rise, no sooner than those of all its neighbours have.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import NEVER, US
from hissmark.engine.measuring import Signal
from hissmark.engine.state import F32, Bools, State
from hissmark.engine.sudden import note_sudden
from hissmark.judge.group import Groups
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Explanation, Reason

MOVE_DB = 3.0
MOVE_SCALES = 4.0
"""From the older to the newer half of a window, more than this is no noise."""
RESTLESS_S = 2 * 3600.0
"""A channel that was not steady for longer than this of late hardly counts."""
CALMS = 0.5
"""How fast restlessness is forgotten, against how fast it is gathered."""
LEAST_SHARE = 0.1


def note_moves(
    state: State, at_us: int, on: Bools, conditions: TestConditions, signal: Signal, scale: F32
) -> None:
    """Remember when something began to fall, to rise, to be stroked or to be named by tags."""
    groups = state.groups_with(on)
    enough = on & signal.fresh & (signal.unsteady != Reason.TOO_FEW_SAMPLES)
    with np.errstate(invalid="ignore"):
        limit = np.maximum(MOVE_DB, MOVE_SCALES * np.nan_to_num(scale))
        fell, rose = enough & (signal.levels.drift < -limit), enough & (signal.levels.drift > limit)
    stroked = on & conditions.stroked & (~conditions.open_ | (np.abs(state.open_us) == at_us))
    named = np.zeros_like(groups)
    named[groups] = state.named[groups] != conditions.operating[groups]
    state.named[groups] = conditions.operating[groups]
    note_sudden(state, at_us, groups, state.groups_with(fell | rose))
    _begin(state, state.fell_us, at_us, state.groups_with(fell))
    _begin(state, state.rose_us, at_us, state.groups_with(rose))
    moved = state.groups_with(stroked) | named
    state.fell_us[moved] = at_us


def _begin(state: State, since_us: npt.NDArray[np.int64], at_us: int, groups: Bools) -> None:
    """A move lasts for as long as windows show it; only what comes after that is another."""
    new = groups & ((since_us == NEVER) | (at_us - since_us >= 2 * state.settings.signal.window_s * US))
    since_us[new] = at_us


def turning(state: State, at_us: int, signal: Signal, sound: Bools) -> Bools:
    """Channels that cannot be blamed yet: windows still hold what was before, bool[channels]."""
    of = state.layout.group_of
    longest = np.zeros(len(state.layout.group_names), np.int64)
    np.maximum.at(longest, of[sound], signal.length_us[sound])
    beyond_us = np.maximum(longest - state.settings.signal.window_s * US, 0)
    after_fall = at_us - state.fell_us[of] < signal.length_us
    after_rise = at_us - state.rose_us[of] < beyond_us[of]
    return np.asarray(after_fall | after_rise, bool)


def settle(state: State, groups: Bools, result: Groups) -> None:
    """The operating condition of a group is settled once nothing that is new is heard in it."""
    begins = state.groups_with(result.leads & ~state.passing)
    plain = ~result.stirred | (~begins & (result.explanation != Explanation.UNEXPLAINED))
    now = groups & plain
    state.settled[now] = result.mode[now]


def watch_steadiness(state: State, on: Bools, signal: Signal) -> None:
    """How long each channel has not been steady of late."""
    told = on & signal.fresh & (signal.unsteady != Reason.TOO_FEW_SAMPLES)
    tick_s = float(state.settings.signal.tick_s)
    moved = state.restless_s + np.where(signal.unsteady == NONE, -CALMS * tick_s, tick_s)
    state.restless_s[told] = np.clip(moved, 0.0, RESTLESS_S)[told]


def weight_of(state: State) -> F32:
    """What a steady window of each channel is worth as evidence, float32[channels], 1 where all are steady.

    Where a steam trap cycles next to a sensor, one window in many looks steady by chance.
    """
    return np.asarray(np.maximum(1.0 - state.restless_s / RESTLESS_S, LEAST_SHARE) ** 2, np.float32)
