"""Quiet times: parts of the day in which a receiver is not told what can wait."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_FORM = re.compile(r"(\d\d):(\d\d)-(\d\d):(\d\d)")
_DAY_MIN = 24 * 60


def parse(text: str) -> tuple[int, int]:
    """``22:00-06:00`` as minutes of the day. Raises ValueError that says what is wrong."""
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not of the form 22:00-06:00")
    hours = [int(part) for part in match.groups()]
    start, end = hours[0] * 60 + hours[1], hours[2] * 60 + hours[3]
    if max(hours[0], hours[2]) > 23 or max(hours[1], hours[3]) > 59:
        raise ValueError(f"{text!r} names a time of day that there is not")
    if start == end:
        raise ValueError(f"{text!r} begins when it ends")
    return start, end


def zone_of(name: str) -> tzinfo:
    """The time zone of that name. Raises ValueError if this machine knows none. UTC needs no zone files."""
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is not a time zone that this machine knows") from None


@dataclass(frozen=True)
class QuietTimes:
    """Spans of the day (minutes from midnight; a span may run over midnight) in a zone."""

    spans: tuple[tuple[int, int], ...] = ()
    zone: tzinfo = UTC

    @classmethod
    def of(cls, texts: tuple[str, ...], zone: str) -> QuietTimes:
        return cls(tuple(parse(text) for text in texts), zone_of(zone))

    def ends_us(self, at_us: int) -> int:
        """When the quiet that holds at `at_us` is over; `at_us` itself if none holds."""
        moment = datetime.fromtimestamp(at_us / 1e6, UTC)
        for _ in range(len(self.spans) + 1):  # one span may end inside the next
            later = self._end(moment)
            if later is None:
                break
            moment = later
        return max(at_us, int(moment.timestamp() * 1e6))

    def _end(self, moment: datetime) -> datetime | None:
        local = moment.astimezone(self.zone)
        minute = local.hour * 60 + local.minute
        for start, end in self.spans:
            inside = (minute - start) % _DAY_MIN < (end - start) % _DAY_MIN
            if inside:
                days = 1 if end <= minute else 0
                date = local.date() + timedelta(days=days)
                return datetime.combine(date, time(end // 60, end % 60), self.zone).astimezone(UTC)
        return None
