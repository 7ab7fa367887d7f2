"""Times of OPC UA and ours: microseconds since 1970 UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)


def moment_or_none(at: datetime | None) -> datetime | None:
    """A bound that the client gave; None where it gave none (OPC UA sends the year 1601)."""
    if at is None:
        return None
    aware = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return aware if aware > EPOCH else None


def microseconds(at: datetime) -> int:
    """Since 1970 UTC."""
    return (at - EPOCH) // _US


def moment(at_us: int) -> datetime:
    """Microseconds since 1970 UTC as OPC UA wants them."""
    return EPOCH + at_us * _US
