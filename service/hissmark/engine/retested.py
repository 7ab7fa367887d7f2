"""Settings published while a valve is found passing: what stands is tested against them at the next tick.

By itself a verdict stands until its evidence or its rise is gone, so that it does not flicker around a limit.
Somebody who raises a limit above a standing verdict means it to end, though; so it has to meet what was made
stricter once more, as if it began now. What ended so ends its alarm too, without the dead band.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.state import F32, Bools, State

LIMIT, EVIDENCE = 1, 2
"""Marks of a standing verdict: its rise, or its evidence, is to be tested at its next tick."""
LIMIT_ENDED, EVIDENCE_ENDED = 4, 8
"""Marks of a verdict that such a test has ended, for as long as its alarm stands."""
ENDED = LIMIT_ENDED | EVIDENCE_ENDED


class Limits(NamedTuple):
    """What a valve must meet to be found passing; float32[channels]."""

    rise_limit_db: F32
    budget_per_year: F32
    odds_limit: F32
    margin_db: F32

    @classmethod
    def of(cls, state: State) -> Limits:
        tuned = state.tuned
        return cls(tuned.rise_limit_db, tuned.budget_per_year, tuned.odds_limit, tuned.margin_db)


def mark(state: State, before: Limits) -> None:
    """Settings were changed: standing verdicts for which they became stricter are to be tested."""
    now = Limits.of(state)
    # a budget of 0 asks nothing of the noise: any other is stricter
    dearer = (now.budget_per_year > 0) & (
        (now.budget_per_year < before.budget_per_year) | (before.budget_per_year <= 0)
    )
    higher = (now.rise_limit_db > before.rise_limit_db) | dearer
    surer = (now.odds_limit > before.odds_limit) | (now.margin_db > before.margin_db)
    state.retest[state.passing & higher] |= LIMIT
    state.retest[state.passing & surer] |= EVIDENCE


def failing(state: State, stands_out: Bools, enough: Bools) -> npt.NDArray[np.uint8]:
    """How standing verdicts fail the test they are marked for: `LIMIT_ENDED`, `EVIDENCE_ENDED`, 0 for not.

    Args:
        stands_out: bool[channels] whether the rises meet the limit. enough: whether the evidence does.
    """
    low = ((state.retest & LIMIT) > 0) & ~stands_out
    little = ((state.retest & EVIDENCE) > 0) & ~enough
    return np.where(low, LIMIT_ENDED, 0).astype(np.uint8) | np.where(little, EVIDENCE_ENDED, 0).astype(
        np.uint8
    )


def note_tested(state: State, tested: Bools, why: npt.NDArray[np.uint8]) -> None:
    """Of the channels `tested` at this tick keep only what their alarms are to end for."""
    kept = np.where(state.passing, 0, (state.retest & ENDED) | why)
    state.retest[tested] = kept[tested]


def forget_cleared(state: State) -> None:
    """Where no alarm stands any more, nothing is left to end."""
    if state.retest.any():
        state.retest[~state.alarms.active[0]] &= LIMIT | EVIDENCE


def ended_text(state: State, c: int, limit_db: float) -> str | None:
    """Why the verdict of channel `c` ended, if settings ended it."""
    if state.retest[c] & LIMIT_ENDED:
        return f"the limit published meanwhile asks for {limit_db:.1f} dB"
    if state.retest[c] & EVIDENCE_ENDED:
        return "the settings published meanwhile ask for more evidence than there is"
    return None
