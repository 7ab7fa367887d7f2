"""Why a passing valve is the one that is blamed: its rise, its level, or the fit of the whole group.

Levels of the plants: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.alarms.journal import AlarmKind
from hissmark.engine.reasons import reason_text
from hissmark.engine.standing import NOT_HIGHEST, update_passing, verdicts_of
from hissmark.judge.verdicts import Reason, Verdict
from support.rig import Rig, learned_rig, row_of_valves

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0}
LEAK = {"AE-1": 33.0, "AE-2": 44.0, "AE-3": 32.0}


@pytest.fixture(scope="module")
def passing() -> Rig:
    rig = learned_rig(row_of_valves(3), BASE).run(1800, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    return rig


def given(rig: Rig, rises: tuple[float, ...], margins: tuple[float, ...]) -> tuple[Verdict, Reason]:
    """What XV-2 would be told with these rises and margins."""
    step = rig.engine.stepper
    look = step.look(0, rig.engine.intake)
    verdict, reason = verdicts_of(
        step, look.signal, look.blocked, np.array(rises, np.float32), look.scale,
        np.array(margins, np.float32), look.groups, np.zeros(3, bool),
    )  # fmt: skip
    return Verdict(int(verdict[1])), Reason(int(reason[1]))


@pytest.mark.parametrize(
    ("rises", "margins", "reason"),
    [
        ((11.0, 19.0, 11.0), (-9.0, 8.0, -9.0), Reason.HIGHEST_STEADY_RISE),
        ((21.0, 19.0, 11.0), (-3.0, 3.0, -9.0), Reason.HIGHEST_LEAK_ONLY_LEVEL),
        ((21.0, 19.0, 11.0), (0.0, 0.0, -9.0), Reason.HIGHEST_LEAK_ONLY_LEVEL),
        ((21.0, 19.0, 11.0), (2.0, -2.0, -9.0), Reason.BEST_FIT_OF_THE_GROUP),
        ((21.0, 19.0, 11.0), (2.0, np.nan, -9.0), Reason.BEST_FIT_OF_THE_GROUP),
    ],
)
def test_the_reason_is_true_of_the_numbers(
    passing: Rig, rises: tuple[float, ...], margins: tuple[float, ...], reason: Reason
) -> None:
    """One that is not the loudest is never called the loudest."""
    assert given(passing, rises, margins) == (Verdict.PASSING, reason)


@pytest.mark.parametrize(
    ("margin_db", "says"),
    [
        (8.0, "19.0 dB over its background, 8.0 dB above the next explanation; next: "),
        (-2.0, "2.0 dB below the loudest of its group, but it fits the whole group best; next: "),
        (np.nan, "19.0 dB over its background; next: "),
    ],
)
def test_the_journal_never_calls_less_more(passing: Rig, margin_db: float, says: str) -> None:
    step = passing.engine.stepper
    look = step.look(0, passing.engine.intake)
    rise, margin = np.array([11, 19, 11], np.float32), np.array([-9, margin_db, -9], np.float32)
    text = reason_text(step, AlarmKind.PASSING, 1, look.verdict, rise, margin, look.groups, None, 6.0)
    assert says in text


@pytest.mark.parametrize(("beyond", "begins"), [(-0.5, False), (0.5, True)])
def test_below_the_loudest_a_valve_needs_far_better_evidence(
    passing: Rig, beyond: float, begins: bool
) -> None:
    """Eight against two: six more on the natural log scale."""
    other = Rig(row_of_valves(3))
    other.engine.restore(passing.engine.snapshot())
    step = other.engine.stepper
    step.passing[:], step.lead_s[:] = False, 0.0
    step.evidence[:] = step.tuned.odds_limit + np.float32(NOT_HIGHEST + beyond)
    every = np.ones(3, bool)
    rise, limit = np.array([21, 19, 11], np.float32), np.full(3, 6.0, np.float32)
    margin = np.array([np.nan, -2.0, np.nan], np.float32)
    judged = np.array([False, True, False])
    update_passing(step, every, rise, margin, limit, judged, ~every)
    assert step.passing.tolist() == [False, begins, False]
