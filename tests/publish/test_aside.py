"""Alarms that are put aside say by whom, why and until when."""

from __future__ import annotations

import pytest

from hissmark.alarms.journal import Alarm, AlarmKind, AlarmState, Priority
from hissmark.publish.sentences import alarm_parts, flat

AT_US = 1_772_331_240_000_000  # 2026-03-01T02:14:00Z


def said(state: AlarmState, *, active: bool = True, raised_us: int = AT_US, reason: str = "heard") -> str:
    alarm = Alarm(
        "XV-1", "North", AlarmKind.PASSING, state, active, Priority.HIGH, raised_us, AT_US, 14.0, None,
        reason, "M. Okafor", "steam trap.", AT_US + 3_600_000_000 if state is AlarmState.SHELVED else None,
    )  # fmt: skip
    return flat(alarm_parts(alarm, None), AT_US + 600_000_000)


@pytest.mark.parametrize(
    ("state", "end"),
    [
        (AlarmState.SHELVED, "On the shelf until 03:14 UTC by M. Okafor: steam trap."),
        (AlarmState.OUT_OF_SERVICE, "Taken out of service by M. Okafor: steam trap."),
        (AlarmState.UNACKNOWLEDGED, "First heard 02:14 UTC."),
    ],
)
def test_the_sentence_ends_with_what_was_done(state: AlarmState, end: str) -> None:
    assert said(state).startswith("XV-1 is passing: 14 dB over its background for 10 min.")
    assert said(state).endswith(end)


def test_an_alarm_shelved_once_says_what_else_ends_it() -> None:
    alarm = Alarm(
        "XV-1", "North", AlarmKind.PASSING, AlarmState.SHELVED, True, Priority.HIGH, AT_US, AT_US, 14.0, None,
        "heard", "M. Okafor", "trap", AT_US + 3_600_000_000, shelved_once=True,
    )  # fmt: skip
    end = "On the shelf until its condition is gone, at the latest until 03:14 UTC by M. Okafor: trap."
    assert flat(alarm_parts(alarm, None), AT_US).endswith(end)


def test_suppression_names_its_rule() -> None:
    text = said(AlarmState.SUPPRESSED_BY_DESIGN, reason="suppressed by design: unit down (UNIT < 1)")
    assert text.endswith("Suppressed by design: unit down (UNIT < 1).")


def test_an_alarm_put_aside_in_advance_does_not_claim_to_have_been_heard() -> None:
    text = said(AlarmState.OUT_OF_SERVICE, active=False, raised_us=0)
    assert text == "XV-1 has no passing alarm. Taken out of service by M. Okafor: steam trap."
