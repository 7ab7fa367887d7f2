"""Times at the edges: RFC 3339 in UTC, ages as a person says them, and periods."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
PERIODS_FROM_US = 4 * 86_400 * 1_000_000
"""A midnight that was a Monday (1970-01-05): every period begins a whole number of periods from it."""

SHORTEST_PERIOD_US = 60 * 1_000_000
LONGEST_PERIOD_US = 31 * 86_400 * 1_000_000
_PERIOD = re.compile(r"(\d{1,6})\s*(s|min|h|d|w)")
_UNITS_US = {
    name: s * 1_000_000 for name, s in (("s", 1), ("min", 60), ("h", 3600), ("d", 86_400), ("w", 604_800))
}
_LIMIT_US = 253_402_300_799_999_999  # 9999-12-31, the last instant RFC 3339 can write


def rfc3339(time_us: int) -> str:
    """``2026-03-01T02:14:00Z``; a fraction only where there is one."""
    return (_EPOCH + timedelta(microseconds=time_us)).isoformat().replace("+00:00", "Z")


def rfc3339_or_none(time_us: int | None) -> str | None:
    """The same; None for a time that is not known (None or 0)."""
    return rfc3339(time_us) if time_us else None


def parse_rfc3339(text: str) -> int:
    """Microseconds since 1970 of an RFC 3339 time with a zone. Raises ValueError that says what is wrong."""
    try:
        moment = datetime.fromisoformat(text.strip().replace(" ", "+"))
    except ValueError:
        raise ValueError(f"{text!r} is not an RFC 3339 time such as 2026-03-01T02:14:00Z") from None
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone; write for example 2026-03-01T02:14:00Z")
    try:
        return int((moment - _EPOCH) / timedelta(microseconds=1))
    except OverflowError:
        raise ValueError(f"{text!r} lies outside the years 1 to 9999") from None


def clock_time(time_us: int) -> str:
    """``02:14 UTC``, for flat sentences."""
    return (_EPOCH + timedelta(microseconds=min(time_us, _LIMIT_US))).strftime("%H:%M UTC")


def age_text(seconds: float) -> str:
    """``40 s``, ``12 min``, ``3 h 5 min``, ``2 d 4 h``."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def parse_period(text: str) -> int:
    """Microseconds of a length of time such as ``10min``, ``1h``, ``1d``. Raises ValueError."""
    found = _PERIOD.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is no period such as 10min, 1h, 1d or 1w")
    period_us = int(found[1]) * _UNITS_US[found[2]]
    if not SHORTEST_PERIOD_US <= period_us <= LONGEST_PERIOD_US:
        raise ValueError(f"{text!r} is no period between 1min and 31d")
    return period_us


def period_start_us(time_us: int, period_us: int) -> int:
    """When the period began that holds a moment."""
    return time_us - (time_us - PERIODS_FROM_US) % period_us
