"""Suppression by design through process tags: on the engine, over restarts and silence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hissmark.alarms.journal import ActionKind, AlarmKind
from hissmark.engine.settings import SuppressRule
from support.rig import LEARNED_S, QUICK, Rig, row_of_valves, valve

RULE = SuppressRule("unit down", "UNIT < 1", groups=("header",))
LEAK = {"AE-1": 55.0, "AE-2": 46.0, "AE-3": 40.0}
QUIET = {"AE-1": 30.0, "AE-2": 30.0, "AE-3": 30.0}


def rig_of(*rules: SuppressRule) -> Rig:
    return Rig(row_of_valves(3), replace(QUICK, suppress=rules))


def leaking(rule: SuppressRule = RULE, unit: float = 0.0) -> Rig:
    """Backgrounds learned while the unit ran; then the unit as given and XV-1 leaking."""
    rig = rig_of(rule).run(LEARNED_S, dict(QUIET), {"UNIT": 1.0})
    return rig.run(3600, dict(LEAK), {"UNIT": unit})


def events(rig: Rig, kind: AlarmKind = AlarmKind.PASSING) -> list[str]:
    return [str(e.event) for e in rig.journal if e.alarm is kind and e.valve == "XV-1"]


def state(rig: Rig) -> str:
    return next((str(a.state) for a in rig.engine.alarms() if a.alarm is AlarmKind.PASSING), "normal")


def test_a_rule_that_holds_keeps_the_alarm_back_and_the_judgement_goes_on() -> None:
    rig = leaking()
    assert events(rig) == ["suppressed"]
    assert rig.verdict("XV-1").text == "passing"
    rig.run(1800, dict(LEAK), {"UNIT": 1.0})
    assert events(rig) == ["suppressed", "unsuppressed"]
    assert state(rig) == "unacknowledged"


@pytest.mark.parametrize(
    "rule",
    [
        replace(RULE, when="UNIT > 1"),
        replace(RULE, groups=(), valves=("XV-2",)),
        replace(RULE, alarms=("sensor-fault",)),
    ],
)
def test_a_rule_that_does_not_hold_or_concern_it_changes_nothing(rule: SuppressRule) -> None:
    assert events(leaking(rule)) == ["raised"]


def test_a_tag_never_heard_suppresses_nothing() -> None:
    rig = rig_of(RULE).run(LEARNED_S, dict(QUIET)).run(3600, dict(LEAK))
    assert events(rig) == ["raised"]


def test_a_tag_that_falls_silent_gives_nothing_free() -> None:
    """The last value heard counts: missing data changes no state."""
    rig = leaking().run(4 * 3600, dict(LEAK))
    assert events(rig) == ["suppressed"]
    assert state(rig) == "suppressed-by-design"


def test_one_rule_concerns_only_its_groups() -> None:
    channels = [*row_of_valves(2), valve("9", "yard", 0)]
    rig = Rig(channels, replace(QUICK, suppress=(RULE,)))
    assert rig.layout.input_of_tag("UNIT", 0) >= 0
    assert rig.layout.input_of_tag("UNIT", 1) == -1


ACTS = {
    "shelved": (ActionKind.SHELVE, 1.0),
    "out-of-service": (ActionKind.TAKE_OUT_OF_SERVICE, 1.0),
    "acknowledged": (ActionKind.ACKNOWLEDGE, 1.0),
    "suppressed-by-design": (None, 0.0),
    "unacknowledged": (None, 1.0),
}


@pytest.mark.parametrize("wanted", ACTS)
def test_a_restart_and_hours_without_data_change_no_state(wanted: str) -> None:
    """Nothing is acknowledged, cleared, taken off the shelf or annunciated again."""
    act, unit = ACTS[wanted]
    rig = leaking(unit=unit)
    if act is not None:
        rig.act(act, "XV-1", until_us=rig.last.at_us + 6 * 3_600_000_000, comment="why")
    assert state(rig) == wanted
    again = rig_of(RULE)
    assert again.engine.restore(rig.engine.snapshot()) == []
    assert again.engine.alarms() == rig.engine.alarms()
    again.now_s = rig.now_s + 3 * 3600  # silence
    again.run(1800, dict(LEAK), {"UNIT": unit})
    assert events(again) == []
    assert state(again) == wanted


def test_state_saved_before_there_were_rules_is_still_read() -> None:
    """A database of an older version starts: what it does not have yet begins as new."""
    rig = leaking(unit=1.0)
    rig.engine.stepper.alarms.__class__.STATE = tuple(
        s for s in type(rig.engine.stepper.alarms).STATE if s != "held_by"
    )
    try:
        payload = rig.engine.snapshot()
    finally:
        type(rig.engine.stepper.alarms).STATE = (*type(rig.engine.stepper.alarms).STATE, "held_by")
    again = rig_of(RULE)
    assert again.engine.restore(payload) == []
    assert state(again) == "unacknowledged"
