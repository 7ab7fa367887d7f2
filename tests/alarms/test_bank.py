"""Delays, shelving and operator actions of many alarms at once, against one plain alarm at a time."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.alarms.bank import KINDS, ActionRefusedError, AlarmBank, Subject, Wanted
from hissmark.alarms.journal import Action, ActionKind, AlarmKind, AlarmState, JournalEntry

TICK_S = 60
ON_S = {AlarmKind.PASSING: 120, AlarmKind.CONTESTED: 180, AlarmKind.SENSOR_FAULT: 60}
OFF_S = 180
PASSING = KINDS.index(AlarmKind.PASSING)


def bank_of(valves: int = 1) -> AlarmBank:
    subjects = tuple(Subject(f"XV-{i}", "header", "medium") for i in range(valves))
    return AlarmBank(subjects, ON_S, OFF_S)


def wanted(
    conditions: list[str], kind: int = PASSING, on: list[bool] | None = None, rise: float = 12.0
) -> Wanted:
    """Conditions of one kind of alarm, one a channel: ``stands``, ``gone`` or ``?``."""
    n = len(conditions)
    stands, gone = np.zeros((len(KINDS), n), bool), np.ones((len(KINDS), n), bool)
    stands[kind] = [c == "stands" for c in conditions]
    gone[kind] = [c == "gone" for c in conditions]
    return Wanted(
        stands, gone, np.full(n, rise, np.float32), np.full(n, 7.0, np.float32), np.array(on or [True] * n)
    )


def because(kind: AlarmKind, channel: int) -> str:
    return f"{kind} {channel}"


@dataclass
class Timeline:
    """One alarm through time, read as a story."""

    bank: AlarmBank = field(default_factory=bank_of)
    kind: int = PASSING
    now: int = 0
    entries: list[JournalEntry] = field(default_factory=list)

    def tick(self, condition: str, times: int = 1, rise: float = 12.0) -> Timeline:
        for _ in range(times):
            self.now += TICK_S
            self.entries += self.bank.step(
                self.now * 1_000_000, TICK_S, wanted([condition], self.kind, rise=rise), because
            )
        return self

    def act(self, kind: ActionKind, id_: int = 1, until_s: int | None = None) -> Timeline:
        until_us = until_s * 1_000_000 if until_s else None
        action = Action(kind, "XV-0", KINDS[self.kind], "op", "why", until_us, id=id_)
        self.entries += self.bank.act(action, self.now * 1_000_000)
        return self

    @property
    def story(self) -> list[tuple[int, str]]:
        return [(e.at_us // 1_000_000, str(e.event)) for e in self.entries]

    @property
    def state(self) -> str:
        standing = self.bank.standing()
        return str(standing[0].state) if standing else "normal"


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_the_on_delay_of_each_kind(kind: AlarmKind) -> None:
    line = Timeline(kind=KINDS.index(kind)).tick("stands", 5)
    assert line.story == [(ON_S[kind], "raised")]


def test_a_condition_that_comes_and_goes_is_not_annunciated() -> None:
    line = Timeline()
    for _ in range(20):
        line.tick("stands").tick("gone")
    assert line.story == []


def test_time_in_which_the_condition_is_not_known_neither_counts_nor_resets() -> None:
    assert Timeline().tick("stands").tick("?", 100).tick("stands").story == [(102 * 60, "raised")]


def test_an_alarm_is_raised_once_however_long_it_stands() -> None:
    assert len(Timeline().tick("stands", 1000).entries) == 1


def test_off_delay_and_what_is_not_known_never_clears() -> None:
    line = Timeline().tick("stands", 2).tick("?", 500)
    assert line.state == "unacknowledged"
    line.tick("gone", 2).tick("stands").tick("gone", 2)
    assert [e for _, e in line.story] == ["raised"]
    line.tick("gone")
    assert [e for _, e in line.story] == ["raised", "cleared"]
    assert line.state == "rtn-unacknowledged"


def test_a_doubt_is_not_gone_sooner_than_it_came() -> None:
    """`contested` has to stand longer than others, and to be away for as long: else it flutters."""
    slow = AlarmBank((Subject("XV-0", "header", "medium"),), ON_S | {AlarmKind.CONTESTED: 600}, OFF_S)
    doubt = Timeline(slow, KINDS.index(AlarmKind.CONTESTED)).tick("stands", 10)
    assert doubt.story == [(600, "raised")]
    doubt.tick("gone", 9).tick("stands").tick("gone", 9)
    assert doubt.story == [(600, "raised")]
    doubt.tick("gone")
    assert [event for _, event in doubt.story] == ["raised", "cleared"]


def test_acknowledged_then_cleared_is_normal_and_forgotten() -> None:
    line = Timeline().tick("stands", 3).act(ActionKind.ACKNOWLEDGE)
    assert line.state == "acknowledged"
    line.tick("gone", 3)
    assert line.state == "normal"
    assert line.bank.last == {}


def test_cleared_then_acknowledged_is_normal() -> None:
    line = Timeline().tick("stands", 2).tick("gone", 3).act(ActionKind.ACKNOWLEDGE)
    assert [e for _, e in line.story] == ["raised", "cleared", "acknowledged"]
    assert line.state == "normal"


def test_recurring_before_it_was_acknowledged_is_raised_again() -> None:
    line = Timeline().tick("stands", 2).tick("gone", 3).tick("stands", 2)
    assert [e for _, e in line.story] == ["raised", "cleared", "raised"]


def test_shelving_ends_by_itself_and_shows_what_stands_underneath() -> None:
    line = Timeline().tick("stands", 2).act(ActionKind.SHELVE, until_s=600).tick("stands", 20)
    assert line.story == [(120, "raised"), (120, "shelved"), (600, "shelf-expired")]
    assert line.state == "unacknowledged"


def test_shelving_ends_in_normal_when_the_condition_went_away_meanwhile() -> None:
    line = Timeline().tick("stands", 2).act(ActionKind.SHELVE, until_s=900).tick("gone", 20)
    assert [e for _, e in line.story] == ["raised", "shelved", "shelf-expired"]
    assert line.state == "normal"


def test_shelved_in_advance_it_is_not_raised_but_shows_when_the_time_is_over() -> None:
    line = Timeline().act(ActionKind.SHELVE, until_s=900).tick("stands", 20)
    assert [e for _, e in line.story] == ["shelved", "shelf-expired"]
    assert line.state == "unacknowledged"


def test_a_shelf_taken_off_early_does_not_expire_later() -> None:
    line = Timeline().tick("stands", 2).act(ActionKind.SHELVE, until_s=900).act(ActionKind.UNSHELVE, 2)
    line.tick("stands", 30)
    assert [e for _, e in line.story] == ["raised", "shelved", "unshelved"]


def test_shelved_once_comes_back_when_its_condition_is_gone_or_its_time_is_up() -> None:
    """OneShotShelved of OPC 10000-9, 5.8.17: until the next time that it goes inactive."""
    line = Timeline().tick("stands", 2).act(ActionKind.SHELVE_ONCE, until_s=3600)
    assert [a.shelved_once for a in line.bank.standing()] == [True]
    line.tick("gone", 20)
    assert (line.state, line.entries[-1].event) == ("normal", "unshelved")
    line.tick("stands", 2)
    assert line.state == "unacknowledged"
    line.act(ActionKind.SHELVE_ONCE, 2, until_s=line.now + 300).tick("stands", 6)
    assert (line.state, line.entries[-1].event) == ("unacknowledged", "shelf-expired")


def test_out_of_service_does_not_come_back_by_itself() -> None:
    line = Timeline().tick("stands", 2).act(ActionKind.SHELVE, until_s=600)
    line.act(ActionKind.TAKE_OUT_OF_SERVICE, 2).tick("stands", 50)
    assert line.state == "out-of-service"
    line.act(ActionKind.RETURN_TO_SERVICE, 3)
    assert line.state == "unacknowledged"


@pytest.mark.parametrize("kind", [ActionKind.ACKNOWLEDGE, ActionKind.UNSHELVE, ActionKind.RETURN_TO_SERVICE])
def test_an_action_that_means_nothing_says_why_and_changes_nothing(kind: ActionKind) -> None:
    line = Timeline()
    with pytest.raises(ActionRefusedError, match="XV-0: its state is normal"):
        line.act(kind)
    assert line.entries == line.bank.standing() == []


def test_an_unknown_valve_is_named() -> None:
    with pytest.raises(ActionRefusedError, match="'XV-9' in the register"):
        bank_of().act(Action(ActionKind.SHELVE, "XV-9", AlarmKind.PASSING, "op", id=1), 0)


def test_the_journal_carries_who_why_and_how_loud() -> None:
    line = Timeline().tick("stands", 2, rise=23.0).act(ActionKind.ACKNOWLEDGE, 8)
    raised, acked = line.entries
    assert (raised.valve, raised.group, raised.priority, raised.rise_db, raised.margin_db) == (
        "XV-0", "header", "high", 23.0, 7.0,
    )  # fmt: skip
    assert (acked.operator, acked.comment, acked.action_id) == ("op", "why", 8)
    assert raised.key != acked.key


def test_the_alarm_shown_follows_the_rise_but_keeps_its_priority() -> None:
    line = Timeline().tick("stands", 2, rise=12.0).tick("stands", 3, rise=30.0)
    (alarm,) = line.bank.standing()
    assert (alarm.rise_db, alarm.priority, alarm.raised_us) == (30.0, "medium", 120_000_000)


def test_groups_that_do_not_tick_stand_still() -> None:
    bank = bank_of(2)
    for at in range(1, 6):
        bank.step(at * 60_000_000, TICK_S, wanted(["stands", "stands"], on=[True, False]), because)
    assert [a.valve for a in bank.standing()] == ["XV-0"]


class Plain:
    """One alarm of ISA-18.2 written down plainly: no arrays, no table."""

    def __init__(self, on_s: int) -> None:
        self.on_s, self.state, self.active = on_s, "normal", False
        self.stood = self.gone = self.until = 0
        self.once = False

    def back(self) -> str:
        return "unacknowledged" if self.active else "normal"

    def tick(self, now: int, condition: str) -> list[str]:
        said = []
        if condition == "stands":
            self.stood, self.gone = self.stood + TICK_S, 0
        elif condition == "gone":
            self.stood, self.gone = 0, self.gone + TICK_S
        if condition == "stands" and not self.active and self.stood >= self.on_s:
            self.active = True
            if self.state in ("normal", "rtn-unacknowledged"):
                self.state = "unacknowledged"
                said.append("raised")
        if condition == "gone" and self.active and self.gone >= OFF_S:
            self.active = False
            if self.state in ("unacknowledged", "acknowledged"):
                self.state = "normal" if self.state == "acknowledged" else "rtn-unacknowledged"
                said.append("cleared")
            elif self.state == "shelved" and self.once:
                self.state, self.until = "normal", 0
                said.append("unshelved")
        if self.state == "shelved" and 0 < self.until <= now:
            self.state, self.until = self.back(), 0
            said.append("shelf-expired")
        return said

    def act(self, kind: ActionKind, until: int) -> str | None:
        shown = self.state in ("normal", "unacknowledged", "acknowledged", "rtn-unacknowledged")
        if kind is ActionKind.ACKNOWLEDGE and self.state in ("unacknowledged", "rtn-unacknowledged"):
            self.state = "acknowledged" if self.state == "unacknowledged" else "normal"
            return "acknowledged"
        if kind in (ActionKind.SHELVE, ActionKind.SHELVE_ONCE) and shown:
            self.state, self.until, self.once = "shelved", until, kind is ActionKind.SHELVE_ONCE
            return "shelved"
        if kind is ActionKind.UNSHELVE and self.state == "shelved":
            self.state, self.until = self.back(), 0
            return "unshelved"
        if kind is ActionKind.TAKE_OUT_OF_SERVICE and (shown or self.state == "shelved"):
            self.state, self.until = "out-of-service", 0
            return "out-of-service"
        if kind is ActionKind.RETURN_TO_SERVICE and self.state == "out-of-service":
            self.state = self.back()
            return "returned-to-service"
        return None


condition = st.sampled_from(["stands", "stands", "gone", "?"])
runs = st.tuples(condition, st.integers(1, 5)).map(lambda r: [r[0]] * r[1])
step = st.one_of(runs, st.tuples(st.sampled_from(list(ActionKind)), st.integers(1, 12)))


@settings(max_examples=300, deadline=None)
@given(st.lists(step, max_size=40), st.sampled_from(range(len(KINDS))))
def test_any_life_of_an_alarm_is_that_of_the_plain_one(steps: list[object], kind: int) -> None:
    line, plain, told = Timeline(kind=kind), Plain(ON_S[KINDS[kind]]), []
    for nth, what in enumerate(steps):
        if isinstance(what, list):
            for one in what:
                line.tick(one)
                told += plain.tick(line.now, one)
        else:
            action, ticks = what  # type: ignore[misc]
            until = line.now + ticks * TICK_S
            said = plain.act(action, until)
            if said is None:
                with pytest.raises(ActionRefusedError):
                    line.act(action, nth, until)
            else:
                line.act(action, nth, until)
                told.append(said)
        assert [e for _, e in line.story] == told
        assert line.state == plain.state
        assert bool(line.bank.active[kind, 0]) == plain.active


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(condition, min_size=4, max_size=4), max_size=40))
def test_many_alarms_at_once_are_as_many_alone(ticks: list[list[str]]) -> None:
    bank, alone = bank_of(4), [Plain(ON_S[AlarmKind.PASSING]) for _ in range(4)]
    for nth, conditions in enumerate(ticks, 1):
        entries = bank.step(nth * 60_000_000, TICK_S, wanted(conditions), because)
        told = [(f"XV-{i}", e) for i, one in enumerate(alone) for e in one.tick(nth * 60, conditions[i])]
        assert [(e.valve, str(e.event)) for e in entries] == told
    states = {a.valve: a.state for a in bank.standing()}
    assert [states.get(f"XV-{i}", AlarmState.NORMAL) for i in range(4)] == [one.state for one in alone]
