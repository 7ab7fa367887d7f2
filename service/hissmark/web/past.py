"""What the pages showed at a past moment: readings out of the history, alarms out of the journal."""

from __future__ import annotations

from collections.abc import Sequence

from hissmark.publish.alarm_shapes import alarm_shape, journal_shape
from hissmark.publish.live import LiveState, urgency
from hissmark.publish.past import readings_from
from hissmark.publish.reading import group_reading, live_reading
from hissmark.publish.shapes import AlarmShape, GroupReading, JournalShape, LiveReading
from hissmark.publish.times import parse_rfc3339, rfc3339
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.web.paging import NEWEST
from hissmark.web.parameters import time_us
from hissmark.web.waiting import waiting_reading

NOTHING_KEPT = "Nothing is on record here for that moment."
US = 1_000_000


def past_us(live: LiveState, at: str | None) -> int | None:
    """The past moment that a request is about; None if it is about now. What lies ahead counts as now."""
    at_us = time_us(at, "at")
    return None if at_us is None or at_us >= live.clock.now_us() else at_us


def readings_at(live: LiveState, reader: Reader, groups: Sequence[str], at_us: int) -> dict[str, LiveReading]:
    """Of each group the reading of its last tick up to a moment; one that says so where none is on record.

    `fresh` tells whether the group was being judged at that moment.
    """
    layout = live.layout
    recent = live.unsaved.last_of_each(at_us)
    known = {layout.group_names[g]: group_reading(layout, tick, g) for g, tick in recent.items()}
    kept = readings_from(layout, reader.last_ticks([n for n in groups if n not in known], at_us))
    found = {}
    for name in groups:
        reading = known.get(name) or kept.get(name)
        found[name] = _nothing(live, name, at_us) if reading is None else _as_of(live, reading, at_us)
    return found


def _nothing(live: LiveState, name: str, at_us: int) -> LiveReading:
    waiting = waiting_reading(live, name, NOTHING_KEPT)
    return {**waiting, "fresh": False, "last_heard": None, "now": rfc3339(at_us)}


def alarms_at(
    reader: Reader, readings: dict[str, LiveReading], at_us: int, group: str | None
) -> list[AlarmShape]:
    """Every alarm that stood at a moment, the most urgent first, told as of that moment."""
    standing = sorted(reader.alarms_at(at_us, group=group), key=urgency)
    return [alarm_shape(alarm, _judged(readings.get(alarm.group)), at_us) for alarm in standing]


def journal_at(reader: Reader, at_us: int, group: str | None, limit: int) -> list[JournalShape]:
    """The newest journal entries as of a moment, newest first."""
    wanted = JournalFilter(group=group, to_us=at_us + 1)
    return [journal_shape(row) for row in reader.journal(wanted, before_seq=NEWEST, limit=limit)]


def _judged(reading: LiveReading | None) -> LiveReading | None:
    return reading if reading is not None and reading["at"] else None


def _as_of(live: LiveState, reading: GroupReading, at_us: int) -> LiveReading:
    signal = live.layout.settings.signal
    heard_us = [parse_rfc3339(c["last_heard"]) for c in reading["channels"] if c["last_heard"]]
    judged_s = (at_us - parse_rfc3339(reading["at"])) / US
    fresh = judged_s <= max(signal.stale_s, 2 * signal.tick_s)
    return live_reading(reading, max(heard_us, default=0), fresh, at_us)
