"""Trends of the leaks that are heard: what to keep at a tick, and what is to be said of it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.state import F32, Bools, State
from hissmark.judge import evidence as ev
from hissmark.judge.trend import Trend, until
from hissmark.judge.verdict import NONE
from hissmark.signal.levels import leak_only


def follow_trends(
    state: State, at_us: int, on: Bools, blocked: npt.NDArray[np.uint8], unsteady: npt.NDArray[np.uint8],
    level: F32, baseline: F32,
) -> None:  # fmt: skip
    """Keep the leak-only levels of valves that pass or may soon; forget those that are quiet again."""
    judged = on & state.valve & (blocked == NONE)
    suspected = state.passing | (state.evidence > 0)
    quiet = judged & ~state.passing & (state.evidence <= ev.LOWEST + 1.0)
    if (quiet & (state.trends.start_us > 0)).any():
        state.trends.forget(quiet)
    if not (judged & suspected).any():
        return
    alone, resolvable = leak_only(level, baseline)
    heard = judged & suspected & resolvable & (unsteady == NONE)
    state.trends.follow(at_us, heard, alone.astype(np.float32))


def trend_of(state: State, c: int, rise_db: float) -> Trend | None:
    """The trend of a passing valve, with the time until its next severity; None until it is known."""
    if not state.passing[c]:
        return None
    trend = state.trends.of(c)
    if trend is None or not np.isfinite(rise_db):
        return trend
    limits = (("clear", float(state.tuned.clear_db[c])), ("severe", float(state.tuned.severe_db[c])))
    return until(trend, rise_db, limits)


def trends_of(state: State, on: Bools, rise: F32) -> dict[int, Trend]:
    """The trends of all passing valves of a tick, by channel."""
    found = {}
    for c in np.flatnonzero(on & state.passing).tolist():
        trend = trend_of(state, c, float(rise[c]))
        if trend is not None:
            found[c] = trend
    return found
