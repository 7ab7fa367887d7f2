"""Keyset pages: by `seq` in the store, by name in the register. No offsets, so pages do not shift."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from hissmark.alarms.journal import AlarmEvent, AlarmKind
from hissmark.publish.times import rfc3339
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow
from hissmark.web.parameters import Span, invalid

NEWEST = 2**62
"""Behind every `seq`: where reading newest first begins."""


def next_link(path: str, query: Mapping[str, Any]) -> str:
    """The address of a following page."""
    return f"{path}?{urlencode({k: v for k, v in query.items() if v is not None}, doseq=True)}"


def page_of(names: Sequence[str], after: str | None, limit: int) -> tuple[list[str], str | None]:
    """`limit` names behind `after`, and the last of them if more follow. A 422 for an unknown `after`."""
    start = 0
    if after is not None:
        if after not in names:
            raise invalid("after", "is not a name of this list; take it from 'next'")
        start = names.index(after) + 1
    page = list(names[start : start + limit])
    return page, page[-1] if page and start + limit < len(names) else None


@dataclass(frozen=True, slots=True)
class JournalQuery:
    """What was asked of the journal."""

    span: Span
    limit: int
    after: int | None
    before: int | None
    valve: str | None
    group: str | None
    alarm: AlarmKind | None
    event: AlarmEvent | None

    def rows(self, reader: Reader) -> list[JournalRow]:
        """One page: oldest first behind `after`, else newest first."""
        wanted = JournalFilter(
            self.valve, self.group, self.alarm, self.event, self.span.from_us, self.span.to_us
        )
        if self.after is not None:
            return reader.journal(wanted, after_seq=self.after, limit=self.limit)
        newest = NEWEST if self.before is None else self.before
        return reader.journal(wanted, before_seq=newest, limit=self.limit)

    def onwards(self, rows: Sequence[JournalRow]) -> dict[str, Any]:
        """The query of the following page."""
        forward = self.after is not None
        return {
            "limit": self.limit,
            "after" if forward else "before": rows[-1].seq,
            "before" if forward else "after": None,
            "valve": self.valve,
            "group": self.group,
            "alarm": self.alarm,
            "event": self.event,
            "from": rfc3339(self.span.from_us) if self.span.from_us is not None else None,
            "to": rfc3339(self.span.to_us) if self.span.to_us is not None else None,
        }
