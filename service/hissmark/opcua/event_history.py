"""History of alarm events (OPC 10000-11, 6.4.2) from the journal: as they were sent, with the same ids."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from datetime import datetime

from asyncua import ua
from asyncua.common.events import Event

from hissmark.alarms.journal import Alarm
from hissmark.opcua.events import after, event_of
from hissmark.opcua.filters import Filter
from hissmark.opcua.moments import microseconds, moment_or_none
from hissmark.opcua.shelving import with_shelving
from hissmark.opcua.space import Space
from hissmark.publish.sentences import journal_sentence
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow

MOST_EVENTS = 1000
"""Events in one answer; a client asks on from the continuation point."""
_POINT = struct.Struct("!qq")


class EventHistory:
    """Answers from the store."""

    def __init__(self, reader: Reader, space: Space, max_shelve_s: Callable[[], int]) -> None:
        self._reader, self._space, self._max_shelve_s = reader, space, max_shelve_s

    def read(
        self, node: ua.NodeId, details: ua.ReadEventDetails, point: bytes | None, wants: Filter
    ) -> tuple[list[ua.HistoryEventFieldList], bytes | None]:
        """A page of what was heard at a node, and where it goes on. Newest first if start is after end."""
        rows, more = self._rows(node, details, point)
        found = [e for e in self._events(rows) if wants.eval(e)]
        fields = [ua.HistoryEventFieldList(e.to_event_fields(details.Filter.SelectClauses)) for e in found]
        last = _POINT.pack(rows[-1].entry.at_us, rows[-1].seq) if more else None
        return fields, last

    def _rows(
        self, node: ua.NodeId, details: ua.ReadEventDetails, point: bytes | None
    ) -> tuple[list[JournalRow], bool]:
        heard = self._space.heard.get(node)
        if heard is None:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadHistoryOperationUnsupported)
        first, last, backwards = _span(details.StartTime, details.EndTime)
        valve, group = heard
        wanted = JournalFilter(valve=valve, group=group, from_us=first, to_us=last)
        count = min(details.NumValuesPerNode or MOST_EVENTS, MOST_EVENTS)
        rows = self._reader.journal_by_time(
            wanted, after=_place(point), limit=count + 1, newest_first=backwards
        )
        return rows[:count], len(rows) > count

    def _events(self, rows: Sequence[JournalRow]) -> list[Event]:
        """In the order of `rows`. What is put aside is taken to be as the line before said."""
        before: dict[tuple[str, str], Alarm] = {}
        events = {}
        for row in sorted(rows, key=lambda r: (r.entry.at_us, r.seq)):
            entry = row.entry
            if entry.valve not in self._space.subjects:  # no longer in the register
                continue
            key = entry.valve, str(entry.alarm)
            before[key] = alarm = with_shelving(self._reader, after(entry, before.get(key)))
            events[row.seq] = event_of(
                alarm, journal_sentence(entry), self._space.where(*key), received_us=row.recorded_us,
                now_us=entry.at_us, max_shelve_s=self._max_shelve_s(),
            )  # fmt: skip
        return [events[row.seq] for row in rows if row.seq in events]


def _span(start: datetime | None, end: datetime | None) -> tuple[int | None, int | None, bool]:
    """First and last moment, and whether the newest come first: start after end, or no start."""
    first, last = moment_or_none(start), moment_or_none(end)
    first_us = None if first is None else microseconds(first)
    last_us = None if last is None else microseconds(last)
    if first_us is not None and last_us is not None and last_us < first_us:
        return last_us, first_us, True
    return first_us, last_us, first_us is None


def _place(point: bytes | None) -> tuple[int, int] | None:
    if not point:
        return None
    if len(point) != _POINT.size:
        raise ua.UaStatusCodeError(ua.StatusCodes.BadContinuationPointInvalid)
    at_us, seq = _POINT.unpack(point)
    return at_us, seq
