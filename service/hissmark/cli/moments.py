"""Moments as people give them on the command line."""

from __future__ import annotations

import re
import time

import typer

from hissmark.publish.times import parse_rfc3339

_AGO = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d|w)")
_SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86_400, "w": 7 * 86_400}
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")

FORMS = "2026-03-01T02:14:00Z, 2026-03-01 (midnight UTC), or an age such as 90s, 15min, 6h, 3d, 2w"


def now_us() -> int:
    """The machine's clock, microseconds since 1970 UTC."""
    return time.time_ns() // 1000


def parse_moment(text: str, now: int) -> int:
    """Microseconds since 1970 UTC of a time, a date, or an age before `now`. Raises ValueError."""
    word = text.strip()
    if word == "now":
        return now
    ago = _AGO.fullmatch(word)
    if ago:
        return now - int(float(ago[1]) * _SECONDS[ago[2]] * 1e6)
    if _DATE.fullmatch(word):
        word += "T00:00:00Z"
    return parse_rfc3339(word)


def moment(text: str | None, now: int | None = None) -> int | None:
    """The value of an option such as ``--from``; wrong usage if it cannot be read. Ages are before `now`."""
    if text is None:
        return None
    try:
        return parse_moment(text, now_us() if now is None else now)
    except ValueError as error:
        raise typer.BadParameter(f"{error}. Write {FORMS}.") from None
