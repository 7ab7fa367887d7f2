"""What called for the operator's attention, and how long it stood, read from the journal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmEvent, AlarmState
from hissmark.store.records import JournalRow

STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
"""States in which the alarm's condition stands in the operator's view."""

Key = tuple[str, str]


def key_of(row: JournalRow) -> Key:
    """Which alarm an entry is about: subject and kind."""
    return (row.entry.valve, row.entry.alarm.value)


def annunciated(rows: Iterable[JournalRow]) -> list[JournalRow]:
    """Entries with which an alarm was put before the operator, by event time.

    Raised, or shown (again) because it was taken off the shelf, given free or returned to service.
    """
    shown = [row for row in rows if row.entry.state is AlarmState.UNACKNOWLEDGED]
    return sorted(shown, key=lambda row: (row.entry.at_us, row.seq))


@dataclass(frozen=True, slots=True)
class Stand:
    """One alarm in the operator's view without a break. `end_us` None: it still stands at the end."""

    first: JournalRow
    begin_us: int
    end_us: int | None


@dataclass(frozen=True, slots=True)
class Before:
    """What is on record of one alarm before a span: its last entry, and the last that annunciated it."""

    last: JournalRow
    shown: JournalRow | None


def stands(before: Iterable[Before], rows: Sequence[JournalRow]) -> list[Stand]:
    """Every stand that touches the span in which `rows` (all entries, in order of `seq`) happened."""
    begun: dict[Key, JournalRow] = {
        key_of(b.last): b.shown for b in before if b.last.entry.state in STANDING and b.shown is not None
    }
    done: list[Stand] = []
    for row in rows:
        key, stands_now = key_of(row), row.entry.state in STANDING
        if stands_now and key not in begun:
            begun[key] = row
        elif not stands_now and key in begun:
            first = begun.pop(key)
            done.append(Stand(first, first.entry.at_us, row.entry.at_us))
    done += [Stand(first, first.entry.at_us, None) for first in begun.values()]
    return sorted(done, key=lambda s: (s.begin_us, s.first.seq))


def acknowledgement_times_s(rows: Sequence[JournalRow]) -> list[float]:
    """Seconds from each annunciation to its acknowledgement, for those acknowledged within `rows`."""
    waiting: dict[Key, int] = {}
    found = []
    for row in rows:
        key = key_of(row)
        if row.entry.state is AlarmState.UNACKNOWLEDGED:
            waiting[key] = row.recorded_us
        elif row.entry.event is AlarmEvent.ACKNOWLEDGED and key in waiting:
            found.append((row.recorded_us - waiting.pop(key)) / 1e6)
        elif row.entry.state is not AlarmState.RTN_UNACKNOWLEDGED:
            waiting.pop(key, None)
    return found
