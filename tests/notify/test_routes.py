"""Who is told what, and when: routes, quiet times, escalation. Pure, except for the life of the outbox."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.alarms.journal import (
    ActionKind,
    ActionRequest,
    AlarmEvent,
    AlarmKind,
    AlarmState,
    JournalEntry,
    Priority,
)
from hissmark.notify.quiet import QuietTimes, parse
from hissmark.notify.route import EVENT, UNACKNOWLEDGED, Route
from hissmark.store.records import JournalRow
from notify.conftest import Works, outcomes, settled, until
from support.receivers import AlertsServer, HttpReceiver

US = 1_000_000
MINUTE = 60 * US


def row(
    event: AlarmEvent = AlarmEvent.RAISED,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    priority: Priority = Priority.HIGH,
    group: str = "North",
    alarm: AlarmKind = AlarmKind.PASSING,
) -> JournalRow:
    entry = JournalEntry(100 * US, "XV-101", group, alarm, event, state, priority, 14.0, 8.0, "heard")
    return JournalRow(7, 160 * US, entry)


@pytest.mark.parametrize(
    ("route", "told"),
    [
        (Route("r"), True),
        (Route("r", priorities=frozenset({"high", "low"})), True),
        (Route("r", priorities=frozenset({"low"})), False),
        (Route("r", groups=frozenset({"South yard"})), False),
        (Route("r", alarms=frozenset({"sensor-fault"})), False),
        (Route("r", events=frozenset({"shelved"})), False),
        (Route("r", events=frozenset({"raised"})), True),
    ],
)
def test_a_route_takes_what_it_names(route: Route, told: bool) -> None:
    assert (route.plan(row(), 200 * US) is not None) == told


@pytest.mark.parametrize(
    ("event", "state", "told"),
    [
        (AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED, True),
        (AlarmEvent.SHELF_EXPIRED, AlarmState.UNACKNOWLEDGED, True),
        (AlarmEvent.SHELF_EXPIRED, AlarmState.NORMAL, False),
        (AlarmEvent.UNSUPPRESSED, AlarmState.UNACKNOWLEDGED, True),
        (AlarmEvent.CLEARED, AlarmState.NORMAL, True),
        (AlarmEvent.CLEARED, AlarmState.RTN_UNACKNOWLEDGED, True),
        (AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, False),
        (AlarmEvent.SUPPRESSED, AlarmState.SUPPRESSED_BY_DESIGN, False),
        (AlarmEvent.SHELVED, AlarmState.SHELVED, False),
    ],
)
def test_by_default_what_calls_for_attention_and_its_end(
    event: AlarmEvent, state: AlarmState, told: bool
) -> None:
    assert (Route("r").plan(row(event, state), 200 * US) is not None) == told


def test_an_escalation_is_due_so_long_after_it_was_on_record() -> None:
    planned = Route("r", unacknowledged_us=900 * US).plan(row(), 200 * US)
    assert planned is not None
    assert (planned.kind, planned.due_us) == (UNACKNOWLEDGED, (160 + 900) * US)


def us(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp() * US)


@pytest.mark.parametrize(
    ("zone", "spans", "at", "ends"),
    [
        ("UTC", ("22:00-06:00",), "2026-03-01T23:30:00+00:00", "2026-03-02T06:00:00+00:00"),
        ("UTC", ("22:00-06:00",), "2026-03-02T05:59:59+00:00", "2026-03-02T06:00:00+00:00"),
        ("UTC", ("22:00-06:00",), "2026-03-02T06:00:00+00:00", "2026-03-02T06:00:00+00:00"),
        ("UTC", ("12:00-13:00",), "2026-03-02T12:30:00+00:00", "2026-03-02T13:00:00+00:00"),
        ("UTC", ("20:00-23:00", "22:00-02:00"), "2026-03-02T20:30:00+00:00", "2026-03-03T02:00:00+00:00"),
        # IANA zone, on the nights the clocks change (CET/CEST): 22:00 to 06:00 is 7 and 9 hours long.
        ("Europe/Oslo", ("22:00-06:00",), "2026-03-28T22:00:00+01:00", "2026-03-29T06:00:00+02:00"),
        ("Europe/Oslo", ("22:00-06:00",), "2026-10-24T22:00:00+02:00", "2026-10-25T06:00:00+01:00"),
        ("Asia/Kolkata", ("22:00-06:00",), "2026-03-01T17:00:00+00:00", "2026-03-02T00:30:00+00:00"),
    ],
)
def test_quiet_times_end_where_the_clock_on_the_wall_says(
    zone: str, spans: tuple[str, ...], at: str, ends: str
) -> None:
    assert QuietTimes.of(spans, zone).ends_us(us(at)) == us(ends)


@given(st.integers(0, 1439), st.integers(0, 1439), st.integers(0, 2 * 86_400))
def test_quiet_is_inside_the_span_and_nowhere_else(start: int, end: int, second: int) -> None:
    """Against counting minutes one by one."""
    if start == end:
        return
    text = f"{start // 60:02d}:{start % 60:02d}-{end // 60:02d}:{end % 60:02d}"
    inside, minute = set(), start
    while minute != end:
        inside.add(minute)
        minute = (minute + 1) % 1440
    at_us = us("2026-03-01T00:00:00+00:00") + second * US
    quiet = QuietTimes((parse(text),)).ends_us(at_us) > at_us
    assert quiet == (second // 60 % 1440 in inside)


def hook(url: str, more: str = "", name: str = "log") -> str:
    return f'[[notify.webhook]]\nname = "{name}"\nurl = "{url}"\n{more}\n'


def acknowledge(works: Works, valve: str) -> None:
    works.plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, valve, AlarmKind.PASSING, "M. Okafor", "seen"))


def test_nobody_acknowledges_in_time_and_the_next_one_hears_of_it(works: Works) -> None:
    """The alarm that was acknowledged in time is not escalated; the other is, and its end is told as well."""
    with HttpReceiver() as receiver:
        notifier = works.notifier(hook(receiver.url, "unacknowledged_for_s = 900"))
        works.plant.raise_alarm("XV-101")
        works.plant.raise_alarm("XV-102")
        until(lambda: len(outcomes(notifier)) == 2, "the plan")
        works.clock.at_us += 10 * MINUTE
        acknowledge(works, "XV-102")
        assert receiver.taken == []
        works.clock.at_us += 6 * MINUTE
        until(lambda: receiver.taken, "the escalation")
        said = receiver.taken[0].json
        assert (said["kind"], said["entry"]["valve"], said["unacknowledged_s"]) == (
            "unacknowledged",
            "XV-101",
            960,
        )
        assert "not acknowledged for 16 min" in said["headline"]
        acknowledge(works, "XV-101")
        settled(notifier, 4)
        assert [(r.json["kind"], r.json["entry"]["event"]) for r in receiver.taken] == [
            ("unacknowledged", "raised"),
            ("event", "acknowledged"),
        ]
        works.plant.clear_alarm("XV-101")
        found = settled(notifier, 5)
    assert len(receiver.taken) == 2
    assert sorted(v or "" for v in found.values())[:2] == [
        "not sent: it was never escalated to this receiver",
        "not sent: it was never escalated to this receiver",
    ]


def test_an_escalated_alert_ends_when_somebody_acknowledges(works: Works) -> None:
    with AlertsServer() as server:
        works.notifier(
            f'[[notify.alertmanager]]\nname = "am"\nurl = "{server.url}"\nunacknowledged_for_s = 300\n'
        )
        works.plant.raise_alarm("XV-101")
        works.clock.at_us += 6 * MINUTE
        until(server.standing, "the alert")
        acknowledge(works, "XV-101")
        until(lambda: not server.standing(), "its end")


def test_quiet_times_hold_back_and_tell_once_afterwards(works: Works) -> None:
    """02:00 UTC is quiet until 06:00; what came and went is told as it stands by then; high gets through."""
    with HttpReceiver() as receiver:
        notifier = works.notifier(hook(receiver.url, 'quiet = ["22:00-06:00"]'))
        works.plant.raise_alarm("XV-101", priority=Priority.LOW)
        works.plant.raise_alarm("XV-102", priority=Priority.HIGH)
        until(lambda: receiver.taken, "the urgent one")
        works.clock.at_us += 60 * MINUTE
        works.plant.clear_alarm("XV-101")
        until(lambda: len(outcomes(notifier)) == 3, "the plan")
        assert [r.json["entry"]["valve"] for r in receiver.taken] == ["XV-102"]
        works.clock.at_us += 4 * 60 * MINUTE
        found = settled(notifier, 3)
    assert [(r.json["entry"]["valve"], r.json["entry"]["event"]) for r in receiver.taken] == [
        ("XV-102", "raised"),
        ("XV-101", "cleared"),
    ]
    assert found[("log", 1, EVENT)] == "not sent: something newer is told instead"


def test_what_happened_too_long_ago_is_history(works: Works) -> None:
    with HttpReceiver() as receiver:
        notifier = works.notifier("[notify]\nmax_age_s = 3600\n" + hook(receiver.url))
        works.plant.raise_alarm("XV-101", ago_min=61)
        works.plant.raise_alarm("XV-102", ago_min=59)
        found = settled(notifier, 2)
    assert [found[("log", n, EVENT)] for n in (1, 2)] == ["not sent: too old", "sent"]


def test_what_could_not_be_sent_before_a_stop_goes_out_after_the_start_once(works: Works) -> None:
    """The outbox is on disk: a restart loses nothing, repeats nothing, and the keys stay."""
    keys: list[str] = []
    with HttpReceiver(lambda r: keys.append(r.headers["idempotency-key"]) or 503) as down:  # type: ignore[func-returns-value]
        first = works.notifier(hook(down.url))
        works.plant.raise_alarm("XV-101")
        until(lambda: keys, "an attempt")
        first.stop()
    works.plant.raise_alarm("XV-102")  # while nobody follows
    with HttpReceiver() as up:
        second = works.notifier(hook(up.url))
        settled(second, 2)
        second.stop()
        third = works.notifier(hook(up.url))
        works.plant.clear_alarm("XV-101")
        settled(third, 3)
        told = [(r.json["entry"]["valve"], r.json["entry"]["event"]) for r in up.taken]
        assert told == [("XV-101", "raised"), ("XV-102", "raised"), ("XV-101", "cleared")]
        assert up.taken[0].headers["idempotency-key"] == keys[0]


def test_the_first_start_and_a_new_receiver_do_not_tell_history(works: Works) -> None:
    works.plant.raise_alarm("XV-101")
    with HttpReceiver() as old, HttpReceiver() as new:
        first = works.notifier(hook(old.url, name="old"))
        works.plant.raise_alarm("XV-102")
        settled(first, 1)
        first.stop()
        second = works.notifier(hook(old.url, name="old") + hook(new.url, name="new"))
        works.plant.raise_alarm("XV-201")
        settled(second, 3)
        assert [r.json["entry"]["valve"] for r in old.taken] == ["XV-102", "XV-201"]
        assert [r.json["entry"]["valve"] for r in new.taken] == ["XV-201"]


def test_messages_are_given_up_after_their_time_and_never_more_than_so_many_wait(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hissmark.notify.sender.MOST_WAITING", 2)
    notifier = works.notifier("[notify]\ngive_up_s = 600\n" + hook("http://127.0.0.1:9"))
    for valve in ("XV-101", "XV-102", "XV-201"):
        works.plant.raise_alarm(valve)
    found = settled(notifier, 1)
    assert found == {("log", 1, EVENT): "dropped: too many waited"}
    works.clock.at_us += 11 * MINUTE
    assert list(settled(notifier, 3).values()).count("given up") == 2
