"""A condition learned while a sensor was out explains nothing of that channel.

The condition sounds at the neighbours much as a leak at XV-2 would; levels: common practice, no source.
"""

from __future__ import annotations

import pytest

from hissmark.judge.verdicts import Reason, Verdict
from support.rig import Rig, row_of_valves, with_settings

QUIET = {"AE-1": 22.0, "AE-2": 22.5, "AE-3": 23.0, "AE-4": 23.5, "AE-5": 24.0}
CONDITION = {"AE-1": 34.0, "AE-3": 34.5, "AE-4": 28.5, "AE-5": 25.5}
"""AE-2 is out meanwhile."""
LEAK = {"AE-1": 33.3, "AE-2": 44.0, "AE-3": 33.4, "AE-4": 28.6, "AE-5": 24.0}
SETTINGS = with_settings(baseline={"learn_s": 7200})
HOUR_S = 3600.0


@pytest.fixture(scope="module")
def learned() -> Rig:
    rig = Rig(row_of_valves(5), SETTINGS)
    rig.run(HOUR_S, QUIET).run(HOUR_S, CONDITION).run(HOUR_S, QUIET)
    bank = rig.engine.stepper.baselines
    assert bank.modes.tolist() == [2]
    assert bank.learned[:, 1].tolist() == [True, False, True, True, True]
    return rig


def later(learned: Rig, levels: dict[str, float]) -> Rig:
    """The same plant two hours later."""
    rig = Rig(row_of_valves(5), SETTINGS)
    rig.engine.restore(learned.engine.snapshot())
    rig.now_s = learned.now_s
    return rig.run(2 * HOUR_S, levels)


def test_a_leak_at_that_channel_is_not_explained_by_the_condition(learned: Rig) -> None:
    rig = later(learned, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    assert {rig.verdict(f"XV-{n}") for n in (1, 3, 4)} == {Verdict.SPILL}
    assert rig.events("XV-2") == ["raised"]


@pytest.mark.parametrize("level_db", [22.5, 28.5, 32.5])
def test_in_the_condition_itself_the_channel_is_still_learning_and_nobody_is_blamed(
    learned: Rig, level_db: float
) -> None:
    """Whether it hears the condition or not; what it hears there is not known yet."""
    rig = later(learned, {**CONDITION, "AE-2": level_db})
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.NOT_TESTABLE, Reason.BASELINE_LEARNING)
    assert {rig.verdict(f"XV-{n}") for n in (1, 3, 4, 5)} == {Verdict.QUIET}
    assert rig.journal == []


def test_a_leak_elsewhere_in_the_condition_is_found(learned: Rig) -> None:
    rig = later(learned, {**CONDITION, "AE-2": 22.5, "AE-4": 37.0, "AE-5": 45.0})
    assert rig.verdict("XV-5") is Verdict.PASSING
    assert rig.events("XV-2") == []
