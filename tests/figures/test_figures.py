"""Figures against values counted by hand, and against plain counting on random journals.

Thresholds: ISA-18.2 / EEMUA 191 as published second-hand; three in a minute is a convention of the trade.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.figures import actors, load
from hissmark.figures.annunciations import Before, acknowledgement_times_s, annunciated, stands
from hissmark.figures.handover import as_text, handover_of
from hissmark.figures.summary import figures_of
from hissmark.store.notes import ShiftNote
from hissmark.store.records import JournalRow

MIN, HOUR, DAY = 60_000_000, 3_600_000_000, 86_400_000_000
T0 = 1_772_323_200_000_000  # 2026-03-01T00:00:00Z

_E, _S = AlarmEvent, AlarmState
RAISED = (_E.RAISED, _S.UNACKNOWLEDGED)
ACKED = (_E.ACKNOWLEDGED, _S.ACKNOWLEDGED)
CLEARED = (_E.CLEARED, _S.NORMAL)
SHELVED = (_E.SHELVED, _S.SHELVED)
BACK = (_E.SHELF_EXPIRED, _S.UNACKNOWLEDGED)


def row(
    seq: int, minute: float, what: tuple[AlarmEvent, AlarmState] = RAISED, valve: str = "XV-1",
    priority: Priority = Priority.LOW, operator: str = "",
) -> JournalRow:  # fmt: skip
    at = T0 + int(minute * MIN)
    entry = JournalEntry(at, valve, "North", AlarmKind.PASSING, *what, priority, 12.0, 4.0, "heard", operator)
    return JournalRow(seq, at + 1_000_000, entry)


def at_minutes(*minutes: float) -> list[int]:
    return [T0 + int(m * MIN) for m in minutes]


def test_rates_are_counted_in_whole_periods_of_the_clock() -> None:
    times = at_minutes(0, 1, 9.99, 10, 65, 119)
    ten = load.rate(times, T0, T0 + 2 * HOUR, load.TEN_MIN_US)
    assert (ten.mean, ten.most, ten.periods) == (6 / 12, 3, 12)
    hour = load.rate(times, T0, T0 + 2 * HOUR, load.HOUR_US)
    assert (hour.mean, hour.most, hour.periods) == (3.0, 4, 2)
    day = load.rate(times, T0, T0 + 2 * HOUR, load.DAY_US)
    assert (day.mean, day.periods) == (72.0, 0)


def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    """Ten are no flood, eleven are; five keep it going, four end it."""
    ten = at_minutes(*[i / 2 for i in range(10)])
    assert load.floods(ten, T0, T0 + HOUR) == []
    eleven = [*ten, *at_minutes(9)]
    assert [(f.begin_us, f.end_us, f.alarms) for f in load.floods(eleven, T0, T0 + HOUR)] == [
        (T0, T0 + 10 * MIN, 11)
    ]
    lasting = [*eleven, *at_minutes(10, 11, 12, 13, 14), *at_minutes(20, 21, 22, 23)]
    (flood,) = load.floods(lasting, T0, T0 + HOUR)
    assert (flood.begin_us, flood.end_us, flood.alarms) == (T0, T0 + 20 * MIN, 16)
    assert load.share_over(lasting, T0, T0 + HOUR) == pytest.approx(1 / 6)


def test_a_flood_that_still_lasts_ends_with_the_span() -> None:
    times = at_minutes(*[50 + i / 2 for i in range(11)])
    (flood,) = load.floods(times, T0, T0 + HOUR)
    assert flood.end_us == T0 + HOUR


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(-30, 200), max_size=120), st.integers(0, 90), st.integers(91, 180))
def test_rates_are_those_of_plain_counting(minutes: list[int], begin: int, end: int) -> None:
    times, from_us, to_us = at_minutes(*minutes), T0 + begin * MIN, T0 + end * MIN
    periods = [p for p in range(0, 180, 10) if begin <= p and p + 10 <= end]
    plain = [sum(p <= m < p + 10 for m in minutes) for p in periods]
    found = load.rate(times, from_us, to_us, load.TEN_MIN_US)
    assert (found.periods, found.most) == (len(plain), max(plain, default=0))
    assert found.mean == pytest.approx(sum(begin <= m < end for m in minutes) / ((end - begin) / 10))
    over = sum(n > 10 for n in plain) / len(plain) if plain else 0.0
    assert load.share_over(times, from_us, to_us) == pytest.approx(over)


def test_what_comes_off_the_shelf_counts_what_is_acknowledged_does_not() -> None:
    rows = [row(1, 0), row(2, 1, ACKED), row(3, 2, SHELVED), row(4, 30, BACK), row(5, 40, CLEARED)]
    assert [r.seq for r in annunciated(rows)] == [1, 4]


def test_the_most_frequent_come_first_with_their_share() -> None:
    rows = [row(i, i, valve=v) for i, v in enumerate(["XV-2", "XV-1", "XV-2", "XV-3"], 1)]
    assert [(a.valve, a.count, a.share) for a in actors.most_frequent(rows, 2)] == [
        ("XV-2", 2, 0.5),
        ("XV-1", 1, 0.25),
    ]


@pytest.mark.parametrize(
    ("minutes", "window_us", "chatters"),
    [
        ((0, 0.4, 0.9), MIN, True),
        ((0, 0.5, 1.0), MIN, False),
        ((0, 14, 28), 42 * MIN, True),
        ((0, 0.1), MIN, False),
    ],
)
def test_three_within_the_window_chatter(minutes: tuple[float, ...], window_us: int, chatters: bool) -> None:
    rows = [row(i, m) for i, m in enumerate(minutes)]
    assert bool(actors.chattering(rows, window_us)) == chatters


def test_stale_is_what_stands_longer_than_a_day_and_shelving_breaks_it() -> None:
    rows = [
        row(1, 0, valve="old"),
        row(2, 60, ACKED, valve="old"),
        row(3, 0, valve="aside"),
        row(4, 60, SHELVED, valve="aside"),
        row(5, 25 * 60, BACK, valve="aside"),
        row(6, 0, valve="gone"),
        row(7, 30 * 60, CLEARED, valve="gone"),
    ]
    found = stands([], rows)
    at = T0 + 48 * HOUR
    assert [s.first.entry.valve for s in actors.stale(found, at)] == ["old"]
    assert actors.most_stale(found, T0, at) == 2  # between hours 24 and 30 "gone" was stale as well
    assert actors.most_stale(found, T0 + 31 * HOUR, at) == 1


def test_what_stood_before_the_span_is_known_with_its_age() -> None:
    before = [
        Before(row(2, -60, ACKED), row(1, -26 * 60)),
        Before(row(4, -5, CLEARED, "XV-2"), row(3, -9, valve="XV-2")),
    ]
    found = figures_of(before, [], T0, T0 + HOUR)
    assert (found.standing, found.alarms, len(found.stale)) == (1, 0, 1)
    assert found.stale[0].begin_us == T0 - 26 * HOUR


def test_all_figures_of_a_day_counted_by_hand() -> None:
    rows = [
        row(1, 0, priority=Priority.HIGH),
        row(2, 4, ACKED),
        row(3, 5, CLEARED),
        row(4, 100, valve="XV-2"),
        row(5, 110, ACKED, "XV-2"),
        row(6, 200, valve="XV-2"),
    ]
    found = figures_of([], rows, T0, T0 + DAY)
    assert (found.alarms, found.per_hour.mean, found.per_day.most) == (3, 3 / 24, 3)
    assert found.priorities == {"low": 2, "medium": 0, "high": 1}
    assert found.acknowledged_s == (420.0, 600.0)
    assert (found.flood_share, found.floods) == (0.0, ())
    assert [a.valve for a in found.frequent] == ["XV-2", "XV-1"]


def test_acknowledging_is_timed_from_when_the_operator_could_see_it() -> None:
    rows = [
        row(1, 0),
        row(2, 10, (_E.CLEARED, _S.RTN_UNACKNOWLEDGED)),
        row(3, 15, (_E.ACKNOWLEDGED, _S.NORMAL)),
    ]
    assert acknowledgement_times_s(rows) == [900.0]
    assert acknowledgement_times_s([row(1, 0), row(2, 1, SHELVED), row(3, 9, BACK), row(4, 10, ACKED)]) == [
        60.0
    ]


def test_a_handover_says_what_stood_came_went_and_was_put_aside() -> None:
    before = [
        Before(row(1, -90, ACKED, "XV-1"), row(1, -95, valve="XV-1")),
        Before(row(3, -80, CLEARED, "XV-9"), None),
    ]
    rows = [
        row(4, 10, valve="XV-2", priority=Priority.HIGH),
        row(5, 12, ACKED, "XV-2", operator="M. Okafor"),
        row(6, 20, CLEARED, "XV-1"),
        row(7, 30, valve="XV-3"),
        row(8, 31, SHELVED, "XV-3", operator="J. Lind"),
    ]
    shift = handover_of(before, rows)
    assert [r.entry.valve for r in shift.stood] == ["XV-1"]
    assert [r.entry.valve for r in shift.came] == ["XV-2", "XV-3"]
    assert [r.entry.valve for r in shift.went] == ["XV-1"]
    assert [(r.entry.valve, r.entry.operator) for r in shift.put_aside] == [("XV-3", "J. Lind")]
    assert [(r.entry.valve, r.entry.state) for r in shift.stand] == [
        ("XV-2", "acknowledged"),
        ("XV-3", "shelved"),
    ]
    text = as_text(
        shift, [ShiftNote(1, T0 + 5 * MIN, "J. Lind", "XV-3", "steam trap next to it")], T0, T0 + HOUR
    )
    assert "Stood when the shift began: 1\n  2026-02-28 22:30  XV-1: passing, acknowledged" in text
    assert "Came back: none" in text
    assert "00:05 J. Lind, XV-3: steam trap next to it" in text
