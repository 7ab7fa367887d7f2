"""Times in messages: RFC 3339 text, or a number since 1970 in s, ms, µs or ns, told apart by its size."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NO_TIME_US = np.iinfo(np.int64).min
"""Stands for a time that cannot be read; lies outside every plausible window."""

# For the years 2000 to 2099 seconds lie in 9.5e8..4.1e9; each finer unit is a thousand times that.
MS_FROM, US_FROM, NS_FROM = 10**11, 10**14, 10**17

# Furthest from 1970 that is still converted, so that no product leaves int64.
_MAX_S = 4e12

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(?:\.(\d+))?([Zz]|[+-]\d\d:\d\d)", re.ASCII)


def parse_rfc3339_us(text: str) -> int:
    """Microseconds since 1970 UTC; `NO_TIME_US` if the text is no RFC 3339 time. Finer digits are cut off.

    A leap second (`:60`, RFC 3339, 5.7) counts as the second that follows it, as in POSIX time.
    """
    found = _RFC3339.fullmatch(text)
    if found is None:
        return NO_TIME_US
    day, minute, second, digits, zone = found.groups()
    leap = second == "60"
    try:
        moment = datetime.fromisoformat(
            f"{day}T{minute}:{'59' if leap else second}{'+00:00' if zone in 'Zz' else zone}"
        )
        whole_us = (moment - _EPOCH) // _MICROSECOND
    except (ValueError, OverflowError):
        return NO_TIME_US
    return whole_us + leap * 1_000_000 + int(f"{digits or '':0<6.6}")


def epoch_us(value: object) -> int:
    """One time of a message as microseconds since 1970 UTC; `NO_TIME_US` if it cannot be read."""
    if isinstance(value, str):
        return parse_rfc3339_us(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return NO_TIME_US
    size = abs(value)
    if not size < 1e20:
        return NO_TIME_US
    if size < MS_FROM:
        return round(value * 1_000_000)
    if size < US_FROM:
        return round(value * 1000)
    if size < NS_FROM:
        return round(value)
    return int(value // 1000)


def _integers_us(value: I64) -> I64:
    """`epoch_us` for a column of integers."""
    size = np.abs(value)
    return np.select(
        [size < MS_FROM, size < US_FROM, size < NS_FROM],
        [np.where(size < MS_FROM, value, 0) * 1_000_000, np.where(size < US_FROM, value, 0) * 1000, value],
        value // 1000,
    )


def column_us(values: Sequence[object], received_us: I64) -> tuple[I64, Bools]:
    """Times of many messages; None stands for the time of receipt.

    Args:
        values: n times as they were decoded (int, float, str or None).
        received_us: int64[n].

    Returns:
        time_us int64[n] (`NO_TIME_US` where it cannot be read) and missing bool[n].
    """
    if set(map(type, values)) == {int}:
        try:
            return _integers_us(np.array(values, np.int64)), np.zeros(len(values), np.bool_)
        except OverflowError:
            pass
    missing = np.array([value is None for value in values], np.bool_)
    read = np.array([0 if value is None else _within_int64(epoch_us(value)) for value in values], np.int64)
    return np.where(missing, received_us, read), missing


def _within_int64(value: int) -> int:
    return value if abs(value) < 2**62 else NO_TIME_US


def seconds_us(value_s: F64) -> I64:
    """Seconds float64[n] to whole microseconds int64[n], clipped so that two of them can be added."""
    clipped = np.clip(np.nan_to_num(value_s, nan=0.0), -_MAX_S, _MAX_S)
    whole = np.rint(clipped * 1e6).astype(np.int64)
    return np.where(np.isnan(value_s), NO_TIME_US // 4, whole)
