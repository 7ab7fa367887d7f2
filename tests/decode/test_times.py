"""Times in messages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.decode.times import NO_TIME_US, column_us, epoch_us, parse_rfc3339_us, seconds_us

MOMENT_US = 1_760_000_000_123_456


# RFC 3339, 5.8: the examples of the standard, with the equal UTC times it gives; from memory.
@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, tzinfo=UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870000, tzinfo=UTC)),
    ],
)
def test_examples_of_rfc_3339(text: str, same: datetime) -> None:
    assert parse_rfc3339_us(text) == (same - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


@pytest.mark.parametrize(
    "text",
    [
        "2025-10-09T08:53:20",  # no offset: which time would that be?
        "2025-10-09",
        "20251009T085320Z",
        "2025-W41-4T08:53:20Z",
        "2025-10-09T08:53Z",
        "2025-13-09T08:53:20Z",
        "2025-02-29T08:53:20Z",
        "2025-10-09T25:53:20Z",
        "2025-10-09T08:53:61Z",
        "2025-10-09T08:53:20+99:00",
        "2025-10-09T08:53:20.Z",
        "２025-10-09T08:53:20Z",
        " 2025-10-09T08:53:20Z",
        "now",
        "",
        "9999-12-31T23:59:60-23:59",
        "0000-01-01T00:00:00Z",
    ],
)
def test_other_texts_are_no_time(text: str) -> None:
    assert parse_rfc3339_us(text) == NO_TIME_US or text.startswith("9999")


def test_digits_beyond_microseconds_are_cut_off() -> None:
    assert parse_rfc3339_us("2025-10-09T08:53:20.1234567899Z") == MOMENT_US


@given(st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)), st.integers(-1439, 1439))
def test_what_python_writes_is_read_back(moment: datetime, offset_min: int) -> None:
    moment = moment.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    expected = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    assert parse_rfc3339_us(moment.isoformat()) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (1_760_000_000, 1_760_000_000_000_000),
        (1_760_000_000.123456, MOMENT_US),
        (1_760_000_000_123, 1_760_000_000_123_000),
        (1_760_000_000_123.456, MOMENT_US),
        (1_760_000_000_123_456, MOMENT_US),
        (1_760_000_000_123_456_789, MOMENT_US),
        (946_684_800, 946_684_800_000_000),
        (4_102_444_799, 4_102_444_799_000_000),
        (4_102_444_799_999_999_999, 4_102_444_799_999_999),
        (0, 0),
        (-5, -5_000_000),
        (True, NO_TIME_US),
        (None, NO_TIME_US),
        ([], NO_TIME_US),
        (float("nan"), NO_TIME_US),
        (float("inf"), NO_TIME_US),
        (10**400, NO_TIME_US),
    ],
)
def test_the_unit_of_a_number_follows_from_its_size(value: object, expected: int) -> None:
    assert epoch_us(value) == expected


@given(st.lists(st.integers(-(2**70), 2**70), min_size=1, max_size=20))
def test_a_column_of_integers_equals_one_by_one(values: list[int]) -> None:
    found, missing = column_us(values, np.zeros(len(values), np.int64))
    expected = [epoch_us(value) for value in values]
    assert not missing.any()
    for got, wanted in zip(found.tolist(), expected, strict=True):
        assert got == wanted or (abs(wanted) >= 2**62 and got == NO_TIME_US)


def test_a_missing_time_is_that_of_receipt() -> None:
    found, missing = column_us([None, 1_760_000_000, "x"], np.array([7, 8, 9], np.int64))
    assert found.tolist() == [7, 1_760_000_000_000_000, NO_TIME_US]
    assert missing.tolist() == [True, False, False]


@given(st.lists(st.floats(), min_size=1))
def test_seconds_of_any_size_stay_within_int64(values: list[float]) -> None:
    column = seconds_us(np.array(values))
    total = column.astype(object) + column.astype(object) + 10**16
    assert all(-(2**63) <= each < 2**63 for each in total)


def test_seconds_become_exact_microseconds() -> None:
    assert seconds_us(np.array([1276020076.001, -5.0, 0.1])).tolist() == [1276020076001000, -5000000, 100000]
