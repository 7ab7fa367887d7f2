"""Groups in which something has changed suddenly, and what they sound like since.

An operating condition switches within minutes. So after a sudden change, until the group has been as usual
again, a condition never heard before is weighed against a leak by what `judge.own_sound` tells: by how the
channels move against each other, and by how often this group has shown new conditions. What follows upon the
stroke of a valve is not counted: there a seat that did not close is what one expects.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.intake import US
from hissmark.engine.measuring import Signal
from hissmark.engine.state import Bools, State
from hissmark.judge.group import Groups
from hissmark.judge.own_sound import SD_PER_SPREAD, Moved, novelty, unrest
from hissmark.judge.verdicts import Explanation

DAY_US = 86_400.0 * US
STRIDES = 12
"""Channels that measure often are compared at so many moments of a window."""
SHOWN_FOR = 2
"""Windows for which a change may still be half in them: so long it is not over."""


def note_sudden(state: State, at_us: int, groups: Bools, moved: Bools) -> None:
    """Something moves in the groups `moved` (bool[groups]); `groups` are those that tick."""
    state.begun_us[groups & (state.begun_us == 0)] = at_us
    state.sudden_us[moved] = at_us
    state.sudden_us[_worked(state, at_us)] = 0


def _worked(state: State, at_us: int) -> Bools:
    """Groups in which a valve is open or was worked lately."""
    lately = at_us - state.stroked_us < SHOWN_FOR * state.settings.signal.window_s * US
    return state.groups_with(lately | (state.open_us != 0))


def forget_sudden(state: State, at_us: int, groups: Bools, signal: Signal, result: Groups) -> None:
    """What is as usual again has no sudden change behind it."""
    longest = np.zeros(len(groups), np.int64)
    np.maximum.at(longest, state.layout.group_of, signal.length_us)
    usual = ~result.stirred | (result.explanation == Explanation.NOTHING)
    state.sudden_us[groups & usual & (at_us - state.sudden_us >= SHOWN_FOR * longest)] = 0


def moved_groups(state: State, at_us: int, signal: Signal, sound: Bools) -> Moved | None:
    """What groups sound like in which something has changed suddenly; None if there are none."""
    which = np.flatnonzero((state.sudden_us > 0) & ~state.groups_with(state.passing))
    if not len(which):
        return None
    row = np.full(len(state.sudden_us), -1, np.intp)
    row[which] = np.arange(len(which))
    place, present = state.geometry.place[which], state.geometry.present[which]
    channels = np.maximum(place, 0)
    time_us, low = state.windows.held_by(channels)
    slot_us = state.settings.signal.slot_s * US
    age_us = at_us - time_us
    valid = (present & sound[channels])[:, :, None] & (time_us > 0) & (age_us >= 0)
    valid &= age_us <= signal.length_us[channels][:, :, None]
    interval_us = np.where(present, signal.interval_s[channels] * US, 0).max(axis=1)
    width_us = np.maximum(interval_us, max(state.settings.signal.window_s * US // STRIDES, slot_us))
    spread = np.where(present, state.baselines.usual_spread[channels], np.nan).astype(np.float64)
    apart = unrest(age_us, low.astype(np.float64), valid, width_us.astype(np.int64), spread)
    usual = np.square(SD_PER_SPREAD * spread)
    apart[np.isnan(usual)] = np.nan
    return Moved(row, novelty(_times(state)[which], _days(state, at_us)[which]), apart, np.nan_to_num(usual))


def _times(state: State) -> npt.NDArray[np.int64]:
    """How often a change in each group has turned out to be none of the conditions known before."""
    found = np.where(
        state.free, state.baselines.modes.astype(np.int64) - 1, (state.baselines.found_in >= 0).sum(axis=1)
    )
    return np.asarray(found + (state.passed.source >= 0).sum(axis=1), np.int64)


def _days(state: State, at_us: int) -> npt.NDArray[np.float64]:
    return np.asarray((at_us - state.begun_us) / DAY_US, np.float64)
