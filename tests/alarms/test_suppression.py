"""Suppression by design, the bound of shelving and the site's own priorities, on the bank alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.alarms.bank import KINDS, ActionRefusedError, AlarmBank, Subject, Wanted
from hissmark.alarms.journal import Action, ActionKind, AlarmKind, JournalEntry
from hissmark.alarms.priority import priority_of
from hissmark.engine.settings import PrioritySettings

ON_S = {AlarmKind.PASSING: 120, AlarmKind.CONTESTED: 180, AlarmKind.SENSOR_FAULT: 60}
SHAPE = (len(KINDS), 1)


class Line:
    """One valve's `passing` alarm under a rule that can be switched."""

    def __init__(self, **options: object) -> None:
        self.bank = AlarmBank(
            (Subject("XV-1", "header", "high"),), ON_S, 180, rules=("shut down",), **options
        )  # type: ignore[arg-type]
        self.now_s, self.entries = 0, list[JournalEntry]()

    def tick(self, stands: bool | None, held: bool, times: int = 1, rise: float = 12.0) -> Line:
        for _ in range(times):
            self.now_s += 60
            on, off = np.zeros(SHAPE, bool), np.ones(SHAPE, bool)
            on[0], off[0] = stands is True, stands is False
            by = np.full(SHAPE, 0 if held else -1, np.int16)
            wanted = Wanted(
                on, off, np.full(1, rise, np.float32), np.full(1, 5.0, np.float32), np.ones(1, bool), by
            )
            self.entries += self.bank.step(self.now_s * 1_000_000, 60, wanted, lambda *_: "heard")
        return self

    def act(self, kind: ActionKind, until_s: int | None = None) -> Line:
        until_us = until_s * 1_000_000 if until_s is not None else None
        action = Action(kind, "XV-1", AlarmKind.PASSING, "op", "why", until_us, id=len(self.entries) + 1)
        self.entries += self.bank.act(action, self.now_s * 1_000_000)
        return self

    @property
    def story(self) -> list[str]:
        return [str(e.event) for e in self.entries]

    @property
    def state(self) -> str:
        standing = self.bank.standing()
        return str(standing[0].state) if standing else "normal"


def test_nothing_to_suppress_writes_nothing() -> None:
    """A rule over a thousand quiet valves is no entry at all."""
    assert Line().tick(False, True, 50).tick(False, False, 50).story == []


def test_a_leak_that_begins_under_a_rule_is_never_annunciated_but_listed_as_suppressed() -> None:
    line = Line().tick(True, True, 5)
    assert (line.story, line.state) == (["suppressed"], "suppressed-by-design")
    assert line.entries[0].reason == "suppressed by design: shut down"


def test_what_still_stands_when_the_rule_ends_is_annunciated_then() -> None:
    line = Line().tick(True, True, 5).tick(True, False)
    assert (line.story, line.state) == (["suppressed", "unsuppressed"], "unacknowledged")


def test_what_has_gone_meanwhile_is_not() -> None:
    line = Line().tick(True, True, 5).tick(False, True, 5).tick(False, False)
    assert (line.story, line.state) == (["suppressed", "unsuppressed"], "normal")


def test_an_acknowledged_alarm_is_suppressed_and_comes_back() -> None:
    line = Line().tick(True, False, 2).act(ActionKind.ACKNOWLEDGE).tick(True, True)
    assert line.state == "suppressed-by-design"
    assert line.tick(None, True, 100).state == "suppressed-by-design"


def test_an_alarm_taken_off_the_shelf_under_a_rule_is_suppressed_at_once() -> None:
    """Between the two it would be annunciated though the rule holds."""
    line = Line().tick(True, False, 2).act(ActionKind.SHELVE, 3600).tick(True, True)
    assert line.state == "shelved"
    line.act(ActionKind.UNSHELVE)
    assert (line.story[-2:], line.state) == (["unshelved", "suppressed"], "suppressed-by-design")


def test_out_of_service_wins_over_a_rule() -> None:
    line = (
        Line()
        .tick(True, False, 2)
        .act(ActionKind.TAKE_OUT_OF_SERVICE)
        .tick(True, True, 9)
        .tick(True, False, 9)
    )
    assert line.state == "out-of-service"


def test_a_leak_that_began_on_the_shelf_has_the_priority_it_deserves() -> None:
    line = Line().act(ActionKind.SHELVE, 600).tick(True, False, 12, rise=25.0)
    assert (line.story, str(line.entries[-1].priority)) == (["shelved", "shelf-expired"], "high")


@pytest.mark.parametrize("until_s", [None, 0, 600])
def test_shelving_needs_an_end_that_lies_ahead(until_s: int | None) -> None:
    line = Line().tick(True, False, 10)
    with pytest.raises(ActionRefusedError, match="an end that lies ahead"):
        line.act(ActionKind.SHELVE, until_s)
    assert line.state == "unacknowledged"


def test_shelving_never_lasts_longer_than_the_site_allows() -> None:
    line = Line(max_shelve_s=900).tick(True, False, 2).act(ActionKind.SHELVE, 10**6)
    assert line.bank.standing()[0].shelved_until_us == (120 + 900) * 1_000_000
    assert line.tick(True, False, 15).state == "unacknowledged"


def test_the_site_can_edit_every_cell_of_its_priorities() -> None:
    table = PrioritySettings(
        clear_db=8.0,
        severe_db=12.0,
        low_slight="high",
        medium_clear="low",
        high_severe="medium",
        contested="high",
    )
    rows = [("low", 7.9), ("medium", 8.0), ("high", 12.0)]
    assert [priority_of(AlarmKind.PASSING, c, r, table) for c, r in rows] == ["high", "low", "medium"]
    assert priority_of(AlarmKind.CONTESTED, "low", 30.0, table) == "high"
    assert priority_of(AlarmKind.SENSOR_FAULT, "high", float("nan"), table) == "low"


ACTIONS = st.sampled_from(
    [ActionKind.ACKNOWLEDGE, ActionKind.SHELVE, ActionKind.UNSHELVE, *list(ActionKind)[3:]]
)
STEP = st.one_of(
    st.tuples(st.sampled_from([True, True, False, None]), st.booleans(), st.integers(1, 4)), ACTIONS
)


@settings(max_examples=200, deadline=None)
@given(st.lists(STEP, max_size=40))
def test_while_a_rule_holds_nothing_that_stands_is_before_the_operator(steps: list[object]) -> None:
    """Whatever happens and whatever operators do: held means hidden, and free means not suppressed."""
    line, held = Line(), False
    for step in steps:
        if isinstance(step, tuple):
            stands, held, times = step
            line.tick(stands, held, times)
        else:
            try:
                line.act(step, line.now_s + 600)  # type: ignore[arg-type]
            except ActionRefusedError:
                continue
        if held:
            assert line.state in ("normal", "suppressed-by-design", "shelved", "out-of-service")
            assert not (line.state == "normal" and line.bank.active[0, 0])
        elif line.now_s:
            assert line.state != "suppressed-by-design"
    raised = [e for e in line.entries if e.event == "raised"]
    assert all(e.state == "unacknowledged" for e in raised)
