"""Alarms that happened against those that would have: gained, lost, earlier, later; and against truth."""

from __future__ import annotations

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.repairs.truth import Span
from hissmark.tune.compare import Difference, compare, counts, told_apart
from hissmark.tune.episodes import Episode, episodes
from hissmark.tune.truth import score

MINUTE = 60_000_000
PASSING = frozenset({AlarmKind.PASSING})


def episode(
    valve: str, raised: int, gone: int | None = None, alarm: AlarmKind = AlarmKind.PASSING
) -> Episode:
    return Episode(
        valve, "g", alarm, raised * MINUTE, None if gone is None else gone * MINUTE, Priority.LOW, 8.0, 4.0
    )


def entry(at: int, event: AlarmEvent, state: AlarmState, valve: str = "XV-1") -> JournalEntry:
    return JournalEntry(
        at * MINUTE, valve, "g", AlarmKind.PASSING, event, state, Priority.HIGH, 9.0, 4.0, "because"
    )


def test_an_alarm_that_moves_is_one_that_moved_not_one_lost_and_one_gained() -> None:
    pairs = compare([episode("a", 10, 50)], [episode("a", 13, 50)])
    assert [(p.difference, p.shift_s) for p in pairs] == [(Difference.LATER, 180.0)]
    pairs = compare([episode("a", 10, 50)], [episode("a", 4, 50)])
    assert [(p.difference, p.shift_s) for p in pairs] == [(Difference.EARLIER, -360.0)]


def test_gained_and_lost_are_those_that_meet_none_of_the_others() -> None:
    before = [episode("a", 10, 20), episode("b", 5, 9)]
    after = [episode("a", 30, 40), episode("b", 5, 9), episode("c", 1)]
    pairs = compare(before, after)
    assert [(p.either.valve, p.difference) for p in pairs] == [
        ("c", Difference.GAINED), ("b", Difference.SAME), ("a", Difference.LOST), ("a", Difference.GAINED),
    ]  # fmt: skip
    assert counts(pairs) == {
        "same": 1, "gained": 2, "lost": 1, "earlier": 0, "later": 0, "lasted otherwise": 0,
    }  # fmt: skip


def test_two_alarms_do_not_pair_with_the_same_one() -> None:
    """An alarm that chattered and would have stood through: one moved, the other lost."""
    pairs = compare([episode("a", 10, 20), episode("a", 25, 60)], [episode("a", 9, 60)])
    assert [p.difference for p in pairs] == [Difference.EARLIER, Difference.LOST]


def test_other_alarms_of_the_valve_are_other_alarms() -> None:
    pairs = compare([episode("a", 10)], [episode("a", 10, alarm=AlarmKind.CONTESTED)])
    assert {p.difference for p in pairs} == {Difference.LOST, Difference.GAINED}


def test_an_alarm_that_ends_otherwise_is_told() -> None:
    assert compare([episode("a", 10, 20)], [episode("a", 10)])[0].difference is Difference.LASTED_OTHERWISE


def test_differences_that_show_without_the_change_are_marked() -> None:
    happened, trial = [episode("a", 10, 20), episode("b", 10, 20)], [episode("b", 12, 20)]
    live = [episode("b", 10, 20)]
    pairs = told_apart(compare(happened, trial), compare(happened, live))
    assert [(p.either.valve, p.difference, p.by_change) for p in pairs] == [
        ("a", Difference.LOST, False), ("b", Difference.LATER, True),
    ]  # fmt: skip


def test_episodes_run_from_view_to_out_of_view() -> None:
    s, e = AlarmState, AlarmEvent
    journal = [
        entry(1, e.RAISED, s.UNACKNOWLEDGED), entry(2, e.ACKNOWLEDGED, s.ACKNOWLEDGED),
        entry(5, e.SHELVED, s.SHELVED), entry(9, e.SHELF_EXPIRED, s.UNACKNOWLEDGED),
        entry(12, e.CLEARED, s.RTN_UNACKNOWLEDGED), entry(13, e.RAISED, s.UNACKNOWLEDGED),
    ]  # fmt: skip
    found = episodes(enumerate(journal, 1), 0, 100 * MINUTE, PASSING)
    assert [(x.raised_us // MINUTE, x.gone_us and x.gone_us // MINUTE, x.seq) for x in found] == [
        (1, 5, 1), (9, 12, 4), (13, None, 6),
    ]  # fmt: skip


def test_what_stood_before_the_period_is_not_of_the_period() -> None:
    s, e = AlarmState, AlarmEvent
    journal = [entry(1, e.RAISED, s.UNACKNOWLEDGED), entry(7, e.CLEARED, s.RTN_UNACKNOWLEDGED)]
    assert episodes(enumerate(journal, 1), 5 * MINUTE, 100 * MINUTE, PASSING) == []
    assert episodes(enumerate(journal, 1), 0, 1 * MINUTE, PASSING) == []


def span(valve: str, start: int, end: int, passing: bool, sensor: bool = False) -> Span:
    return Span(valve, start * MINUTE, end * MINUTE, passing, "finding 1", sensor)


def test_score_counts_only_where_somebody_looked() -> None:
    known = [span("a", 0, 100, True), span("b", 0, 100, True), span("c", 0, 50, False)]
    alarms = [
        episode("a", 10), episode("a", 40, 60), episode("c", 20, 30), episode("c", 70, 80), episode("d", 1),
        episode("b", 5, alarm=AlarmKind.CONTESTED),
    ]  # fmt: skip
    found = score(known, alarms)
    assert (found.found, found.missed, found.false, found.confirmed, found.unknown) == (1, 1, 1, 2, 2)
    assert found.recall.value == 0.5
    assert found.precision.value == 2 / 3


def test_a_finding_of_one_moment_judges_the_alarm_that_stood_then() -> None:
    tight = [span("a", 20, 20, False)]
    assert score(tight, [episode("a", 10, 30)]).false == 1
    assert score(tight, [episode("a", 10, 20)]).false == 0
    assert score(tight, [episode("a", 20, 30)]).false == 1
    assert score(tight, [episode("a", 21, 30)]).unknown == 1


def test_an_alarm_that_the_sensor_made_is_false_even_where_the_valve_passed() -> None:
    assert score([span("a", 20, 20, True, True)], [episode("a", 10, 30)]).false == 1


def test_without_truth_neither_precision_nor_recall_is_claimed() -> None:
    found = score([], [episode("a", 10)])
    assert found.precision.value is None
    assert found.recall.value is None
    assert found.unknown == 1
