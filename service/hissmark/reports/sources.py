"""Where a report comes from, and what is read for it once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from hissmark.alarms.journal import Alarm, AlarmKind
from hissmark.appraise.appraiser import Appraiser
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel
from hissmark.figures.annunciations import Before
from hissmark.publish.past import readings_from
from hissmark.publish.shapes import GroupReading
from hissmark.repairs.desk import Desk
from hissmark.store.blocks import HOUR_US
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow
from hissmark.upkeep.following import Follower

DAY_US = 24 * HOUR_US
MOST_ROWS = 200_000
PAGE_ROWS = 5000


@dataclass(frozen=True, slots=True)
class Sources:
    """A site as the report sees it. `layout()`: the register and settings in force."""

    site: str
    version: str
    layout: Callable[[], Layout]
    desk: Desk
    reader: Reader
    appraiser: Appraiser | None
    follower: Follower


@dataclass(frozen=True, slots=True)
class Seen:
    """What is read once for a period.

    Attributes:
        rows, before: the journal of the period, and what is on record of each alarm before it.
        standing: alarms that are not at rest at the end. readings: of every group at its last tick by then.
    """

    from_us: int
    to_us: int
    rows: list[JournalRow]
    before: list[Before]
    standing: list[Alarm]
    readings: Mapping[str, GroupReading]


def see(sources: Sources, from_us: int, to_us: int) -> Seen:
    """Read what the report of [from, to) needs."""
    layout, reader = sources.layout(), sources.reader
    last = reader.last_ticks(list(layout.group_names), to_us, back_us=DAY_US)
    before = [Before(last_, shown) for last_, shown in reader.journal_before(from_us)]
    return Seen(
        from_us, to_us, _entries(reader, from_us, to_us), before, reader.alarms_at(to_us),
        readings_from(layout, last),
    )  # fmt: skip


def passing_valves(seen: Seen) -> list[str]:
    """Valves that the last readings call passing, the highest rise first."""
    found = [
        (-(c["rise_db"] or 0.0), str(c["valve"]))
        for reading in seen.readings.values()
        for c in reading["channels"]
        if c["verdict"] == "passing" and c["valve"]
    ]
    return [valve for _, valve in sorted(found)]


def since_us(seen: Seen) -> dict[str, int]:
    """Valve -> since when its passing alarm stands."""
    return {a.valve: a.raised_us for a in seen.standing if a.alarm is AlarmKind.PASSING and a.active}


def rises(follower: Follower, channel: Channel, from_us: int, to_us: int) -> list[tuple[int, float | None]]:
    """Median rise of a channel's valve in each hour (each day in more than a fortnight); None where nothing
    was heard. A valve that got another sensor meanwhile is followed through it."""
    every_us = DAY_US if to_us - from_us > 14 * DAY_US else HOUR_US
    found: dict[int, list[float]] = {}
    for part in follower.history(channel, from_us, to_us):
        starts = part.time_us // every_us * every_us
        for start, rise in zip(starts.tolist(), part.rise_db.tolist(), strict=True):
            if np.isfinite(rise):
                found.setdefault(start, []).append(rise)
    first = from_us // every_us * every_us
    return [
        (at + every_us // 2, float(np.median(found[at])) if at in found else None)
        for at in range(first, to_us, every_us)
    ]


def _entries(reader: Reader, from_us: int, to_us: int) -> list[JournalRow]:
    """Every journal entry of the period in order of `seq`; the newest where there are too many."""
    wanted = JournalFilter(from_us=from_us, to_us=to_us)
    rows: list[JournalRow] = []
    while page := reader.journal(wanted, after_seq=rows[-1].seq if rows else 0, limit=PAGE_ROWS):
        rows += page
        if len(page) < PAGE_ROWS:
            break
    return rows[-MOST_ROWS:]
