"""Which verdict wins when several could be said."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from hissmark.judge.verdict import NONE, Standing, give
from hissmark.judge.verdicts import Explanation, Reason, Verdict

CALM: dict[str, Any] = {
    "valve": True, "blocked": NONE, "unsteady": NONE, "material": False, "noticeable": False, "above": False,
    "passing": False, "leading": False, "close": False, "known": False, "group_passes": False,
    "explanation": Explanation.NOTHING, "explanation_reason": Reason.EVEN_RISE_OF_THE_GROUP,
    "source_reason": Reason.HIGHEST_STEADY_RISE,
}  # fmt: skip
RISEN = {"material": True, "noticeable": True, "above": True}
SOURCE = {**RISEN, "passing": True, "group_passes": True, "explanation": Explanation.ONE_PASSING}


def given(**changes: Any) -> tuple[Verdict, Reason]:
    """Verdict and reason of one channel."""
    one = {name: np.array([value]) for name, value in {**CALM, **changes}.items()}
    for name in ("blocked", "unsteady", "explanation", "explanation_reason", "source_reason"):
        one[name] = one[name].astype(np.uint8)
    verdict, reason = give(Standing(**one))
    return Verdict(int(verdict[0])), Reason(int(reason[0]))


def test_calm_is_quiet() -> None:
    assert given() == (Verdict.QUIET, Reason.AT_BACKGROUND)


def test_a_source_is_passing_with_the_reason_it_was_found_by() -> None:
    assert given(**SOURCE) == (Verdict.PASSING, Reason.HIGHEST_STEADY_RISE)
    louder = {**SOURCE, "source_reason": Reason.HIGHEST_LEAK_ONLY_LEVEL}
    assert given(**louder) == (Verdict.PASSING, Reason.HIGHEST_LEAK_ONLY_LEVEL)


def test_the_others_of_its_group_hear_spill() -> None:
    assert given(**{**SOURCE, "passing": False}) == (Verdict.SPILL, Reason.HEARD_FROM_THE_SOURCE)
    assert given(group_passes=True) == (Verdict.QUIET, Reason.AT_BACKGROUND)


@pytest.mark.parametrize(
    "explanation", [Explanation.EVEN_SHIFT, Explanation.OUTSIDE_NOISE, Explanation.OPEN_VALVE]
)
def test_noise_from_elsewhere_is_said_with_its_reason(explanation: Explanation) -> None:
    found = given(**RISEN, explanation=explanation, explanation_reason=Reason.OPEN_VALVE_NEARBY)
    assert found == (Verdict.OUTSIDE_NOISE, Reason.OPEN_VALVE_NEARBY)


def test_a_rise_nobody_explains_is_contested() -> None:
    assert given(**RISEN, explanation=Explanation.UNEXPLAINED)[0] is Verdict.CONTESTED


def test_a_leak_without_enough_evidence_yet_is_unsettled_or_contested() -> None:
    waiting = {**SOURCE, "passing": False, "group_passes": False}
    assert given(**waiting) == (Verdict.UNSETTLED, Reason.WAITING_FOR_EVIDENCE)
    assert given(**{**waiting, "close": True}) == (Verdict.CONTESTED, Reason.EXPLANATIONS_TOO_CLOSE)


@pytest.mark.parametrize("reason", [Reason.LEVEL_NOT_STEADY, Reason.LEVEL_DRIFTING, Reason.TOO_FEW_SAMPLES])
def test_not_steady_is_unsettled_even_for_a_source(reason: Reason) -> None:
    assert given(**{**SOURCE, "unsteady": reason}) == (Verdict.UNSETTLED, reason)


@pytest.mark.parametrize(
    "reason",
    [
        Reason.OPEN, Reason.JUST_STROKED, Reason.NO_PRESSURE_DIFFERENCE, Reason.NO_FRESH_DATA,
        Reason.SENSOR_FAULT, Reason.BASELINE_LEARNING, Reason.POSITION_NOT_HEARD, Reason.PRESSURE_NOT_HEARD,
    ],
)  # fmt: skip
@pytest.mark.parametrize("otherwise", [{}, RISEN, SOURCE, {**SOURCE, "unsteady": Reason.LEVEL_DRIFTING}])
def test_not_testable_overrules_everything(reason: Reason, otherwise: dict[str, Any]) -> None:
    """Never quiet without test conditions, never passing either."""
    assert given(**{**otherwise, "blocked": reason}) == (Verdict.NOT_TESTABLE, reason)


def test_many_channels_at_once_are_as_many_alone() -> None:
    rng = np.random.default_rng(4)
    n = 400
    columns: dict[str, Any] = {name: rng.random(n) < 0.5 for name in CALM if isinstance(CALM[name], bool)}
    columns["blocked"] = np.where(rng.random(n) < 0.2, Reason.OPEN, NONE).astype(np.uint8)
    columns["unsteady"] = np.where(rng.random(n) < 0.2, Reason.LEVEL_DRIFTING, NONE).astype(np.uint8)
    columns["explanation"] = rng.integers(0, len(Explanation), n).astype(np.uint8)
    columns["explanation_reason"] = np.full(n, Reason.NOISE_FROM_ONE_END, np.uint8)
    columns["source_reason"] = np.full(n, Reason.HIGHEST_STEADY_RISE, np.uint8)
    verdict, reason = give(Standing(**columns))
    for i in range(n):
        assert given(**{name: column[i] for name, column in columns.items()}) == (verdict[i], reason[i])
