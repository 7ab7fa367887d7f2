"""Times as they are given on the command line."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from hissmark.cli.moments import parse_moment

NOW = 1_772_330_400_000_000


def us(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1e6)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-01T02:14:00Z", us("2026-03-01T02:14:00")),
        ("2026-03-01T02:14:00.25Z", us("2026-03-01T02:14:00") + 250_000),
        ("2026-03-01T02:14:00+05:30", us("2026-02-28T20:44:00")),
        ("2026-03-01", us("2026-03-01T00:00:00")),
        ("now", NOW),
        ("90s", NOW - 90_000_000),
        ("15min", NOW - 900_000_000),
        ("1.5h", NOW - 5_400_000_000),
        ("3d", NOW - 3 * 86_400_000_000),
        ("2 w", NOW - 14 * 86_400_000_000),
    ],
)
def test_what_is_understood(text: str, expected: int) -> None:
    assert parse_moment(text, NOW) == expected


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2026-03-01T02:14:00", "2026-13-01", "5 parsecs", "-3d", "02:14"]
)
def test_what_is_not(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        parse_moment(text, NOW)
