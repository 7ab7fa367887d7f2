"""Sentences before codes: what people read is a sentence for every reason, state and explanation."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.engine.layout import Layout
from hissmark.engine.settings import CoreSettings
from hissmark.judge.verdicts import Explanation, Reason, SensorHealth
from hissmark.publish.reading import group_reading
from hissmark.publish.sentences import (
    EVENT_WORDS,
    HEALTH_SENTENCES,
    REASON_SENTENCES,
    advice,
    alarm_parts,
    decibels,
    explanation_sentence,
    flat,
    journal_sentence,
    listing,
    reason_sentence,
)  # fmt: skip
from hissmark.publish.shapes import GroupReading
from hissmark.publish.times import age_text, parse_rfc3339, rfc3339
from support.invented import (
    CONTESTED,
    DEAD,
    MINUTE_US,
    NO_DIFFERENCE,
    OPEN,
    OUTSIDE,
    PASSING,
    QUIET,
    START_US,
    TWO,
    Scene,
    register_of,
    tick_of,
)  # fmt: skip

LAYOUT = Layout.of(register_of({"Header": 5}), CoreSettings())
RAISED_US = START_US - 12 * MINUTE_US


def reading(scene: Scene) -> GroupReading:
    return group_reading(LAYOUT, tick_of(LAYOUT, {"Header": scene}, START_US), 0)


def alarm(**changes: object) -> Alarm:
    made = Alarm(
        "XV-103", "Header", AlarmKind.PASSING, AlarmState.UNACKNOWLEDGED, True, Priority.HIGH,
        RAISED_US, RAISED_US, 14.2, 8.3, "highest steady rise",
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_every_reason_health_and_event_has_words() -> None:
    assert set(REASON_SENTENCES) == set(Reason)
    assert set(HEALTH_SENTENCES) == set(SensorHealth)
    assert set(EVENT_WORDS) == set(AlarmEvent)
    assert all(text.endswith(".") for text in (*REASON_SENTENCES.values(), *HEALTH_SENTENCES.values()))


def test_passing_alarm_reads_like_a_colleagues_message() -> None:
    said = flat(alarm_parts(alarm(), reading(PASSING)), START_US)
    assert said == (
        "XV-103 is passing: 14 dB over its background for 12 min. XV-101, XV-102, XV-104 and XV-105 hear its "
        "spill. Next explanation (XV-102) 8 dB behind. Pressure difference 31 bar. First heard 01:48 UTC."
    )


def test_ages_stay_parts_so_that_a_page_can_let_them_run() -> None:
    parts = alarm_parts(alarm(), reading(PASSING))
    assert {"since": rfc3339(RAISED_US)} in parts
    assert "for 3 h 12 min" in flat(parts, START_US + 180 * MINUTE_US)


def test_alarm_speaks_without_any_reading() -> None:
    assert flat(alarm_parts(alarm(), None), START_US).startswith("XV-103 is passing: 14 dB over")


@pytest.mark.parametrize(
    ("scene", "said"),
    [
        (QUIET, "Quiet: 5 valves at background."),
        (OUTSIDE, "Outside noise comes in and falls away along the pipe; no valve stands out."),
        (OPEN, "XV-104 is open and is what the group hears. Not testable: XV-104 (open)."),
        (DEAD, "Quiet: 4 valves at background. Not testable: XV-103 (sensor fault)."),
        (NO_DIFFERENCE, "No valve of this group can be tested now."),
    ],
)
def test_explanation_of_a_group(scene: Scene, said: str) -> None:
    assert explanation_sentence(reading(scene)) == said


def test_contested_blames_nobody_for_certain() -> None:
    said = explanation_sentence(reading(CONTESTED))
    assert said.startswith("XV-103 may be passing (10 dB over its background), but it is too close to call.")
    assert "XV-104" in flat(alarm_parts(alarm(alarm=AlarmKind.CONTESTED), reading(CONTESTED)), START_US)


def test_two_passing_names_both() -> None:
    assert explanation_sentence(reading(TWO)).startswith(
        "XV-102 and XV-105 are both passing: 18 dB and 13 dB"
    )


@pytest.mark.parametrize("kind", list(Explanation))
def test_every_explanation_has_a_sentence_even_without_numbers(kind: Explanation) -> None:
    assert explanation_sentence(reading(Scene((), kind, 2, 4))).endswith(".")


def test_nothing_testable_is_never_called_quiet() -> None:
    """A valve without a pressure difference is not testable, never quiet."""
    assert "quiet" not in explanation_sentence(reading(NO_DIFFERENCE)).lower()


def test_gone_alarm_says_so() -> None:
    gone = alarm(active=False, state=AlarmState.RTN_UNACKNOWLEDGED)
    assert "back to normal" in flat(alarm_parts(gone, reading(QUIET)), START_US)


def test_sensor_fault_alarm_names_the_fault() -> None:
    fault = alarm(alarm=AlarmKind.SENSOR_FAULT, reason="silent", rise_db=None)
    said = flat(alarm_parts(fault, None), START_US)
    assert said.startswith("XV-103: the sensor is silent for 12 min. This valve is not judged.")
    assert "sensor" in advice(fault)


def test_journal_line_names_who_and_why() -> None:
    entry = JournalEntry(
        START_US, "XV-103", "Header", AlarmKind.PASSING, AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED,
        Priority.HIGH, 14.0, 8.0, "highest steady rise", "Kari", "fitter called", 4,
    )  # fmt: skip
    assert journal_sentence(entry) == "XV-103: passing acknowledged by Kari: fitter called"


def test_small_words() -> None:
    assert decibels(None) == "unknown"
    assert (decibels(2.94), decibels(14.2)) == ("2.9 dB", "14 dB")
    assert listing(["A", "B", "C", "D", "E", "F"]) == "A, B, C and 3 others"
    assert listing(["A", "B"]) == "A and B"
    assert reason_sentence("no pressure difference").startswith("There is no pressure difference")
    assert reason_sentence("something of a site's own") == "something of a site's own"
    assert [age_text(s) for s in (59, 720, 3 * 3600 + 300, 26 * 3600)] == [
        "59 s",
        "12 min",
        "3 h 5 min",
        "1 d 2 h",
    ]


def test_rfc_3339_round_trip() -> None:
    """RFC 3339 section 5.8 examples: the same instants in different offsets."""
    assert parse_rfc3339("1996-12-19T16:39:57-08:00") == parse_rfc3339("1996-12-20T00:39:57Z")
    assert rfc3339(parse_rfc3339("1985-04-12T23:20:50.520000Z")) == "1985-04-12T23:20:50.520000Z"
    for wrong in ("yesterday", "2026-03-01T02:14:00", ""):
        with pytest.raises(ValueError, match=r"zone|RFC 3339"):
            parse_rfc3339(wrong)
