"""The alarm journal on record: append-only, numbered without gaps."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.store.dialects import cleaned, number
from hissmark.store.records import JournalRow
from hissmark.store.schema import journal
from hissmark.store.tables_backfill import found_later

_Key = tuple[str, str, str, int, int]
_AT_ONCE = 500
_APPEND_LOCK = 0x6869_7373_0002


def append(connection: sa.Connection, entries: list[JournalEntry], now_us: int) -> list[JournalRow]:
    """Append the entries whose key is not on record yet; returns them numbered."""
    if not entries:
        return []
    if connection.dialect.name == "postgresql":
        # Several shards may write: numbers have to become visible in the order they were given.
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_APPEND_LOCK)))
    known = _known(connection, sorted({entry.at_us for entry in entries}))
    last = connection.scalar(sa.select(sa.func.max(journal.c.seq))) or 0
    new: list[JournalRow] = []
    for entry in map(_storable, entries):
        if entry.key not in known:
            known.add(entry.key)
            new.append(JournalRow(last + len(new) + 1, now_us, entry))
    if new:
        connection.execute(sa.insert(journal), [_values(row) for row in new])
        later = [{"seq": row.seq, "origin": row.entry.origin} for row in new if row.entry.origin]
        if later:
            connection.execute(sa.insert(found_later), later)
    return new


def _known(connection: sa.Connection, times_us: list[int]) -> set[_Key]:
    c = journal.c
    found: set[_Key] = set()
    for i in range(0, len(times_us), _AT_ONCE):
        query = sa.select(c.valve, c.alarm, c.event, c.at_us, c.action_id)
        found.update(
            tuple(row) for row in connection.execute(query.where(c.at_us.in_(times_us[i : i + _AT_ONCE])))
        )
    return found


def _storable(entry: JournalEntry) -> JournalEntry:
    return dataclasses.replace(
        entry,
        operator=cleaned(entry.operator),
        comment=cleaned(entry.comment),
        rise_db=number(entry.rise_db),
        margin_db=number(entry.margin_db),
    )


def _values(row: JournalRow) -> dict[str, Any]:
    values = {field.name: getattr(row.entry, field.name) for field in dataclasses.fields(JournalEntry)}
    del values["origin"]  # in a table of its own
    values["group_name"] = values.pop("group")
    for name in ("alarm", "event", "state", "priority"):
        values[name] = str(values[name])
    return {**values, "seq": row.seq, "recorded_us": row.recorded_us}


@dataclass(frozen=True, slots=True)
class JournalFilter:
    """Which entries to read; None takes all. Times are event times, `from_us` included, `to_us` not."""

    valve: str | None = None
    group: str | None = None
    alarm: AlarmKind | None = None
    event: AlarmEvent | None = None
    from_us: int | None = None
    to_us: int | None = None
    annunciated: bool = False
    """Without those that were only found in a back-fill."""

    def conditions(self) -> list[sa.ColumnElement[bool]]:
        c = journal.c
        equal = (
            (c.valve, self.valve),
            (c.group_name, self.group),
            (c.alarm, self.alarm),
            (c.event, self.event),
        )
        found = [column == str(value) for column, value in equal if value is not None]
        if self.from_us is not None:
            found.append(c.at_us >= self.from_us)
        if self.to_us is not None:
            found.append(c.at_us < self.to_us)
        if self.annunciated:
            found.append(found_later.c.seq.is_(None))
        return found


def read(
    connection: sa.Connection, wanted: JournalFilter, *, after_seq: int, before_seq: int | None, limit: int
) -> list[JournalRow]:
    """One page. Oldest first from `after_seq`; newest first if `before_seq` is given."""
    query = with_origin().where(*wanted.conditions(), journal.c.seq > after_seq).limit(limit)
    if before_seq is None:
        query = query.order_by(journal.c.seq)
    else:
        query = query.where(journal.c.seq < before_seq).order_by(journal.c.seq.desc())
    return [row_of(row) for row in connection.execute(query).mappings()]


def by_time(
    connection: sa.Connection, wanted: JournalFilter, *, after: tuple[int, int] | None, limit: int,
    newest_first: bool,
) -> list[JournalRow]:  # fmt: skip
    """One page in the order of event time, of the same time in that of `seq`.

    `after`: time and `seq` of the last entry of the page before.
    """
    c = journal.c
    query = with_origin().where(*wanted.conditions()).limit(limit)
    if after is not None:
        place, last = sa.tuple_(c.at_us, c.seq), sa.tuple_(*after)
        query = query.where(place < last if newest_first else place > last)
    order = (c.at_us.desc(), c.seq.desc()) if newest_first else (c.at_us, c.seq)
    return [row_of(row) for row in connection.execute(query.order_by(*order)).mappings()]


def with_origin() -> sa.Select[tuple[object, ...]]:
    """All columns of the journal, and where an entry came from if that is not the moment it tells of."""
    query: sa.Select[tuple[object, ...]] = sa.select(journal, found_later.c.origin)
    return query.outerjoin(found_later, found_later.c.seq == journal.c.seq)


def row_of(row: Mapping[Any, Any]) -> JournalRow:
    """A row of the table as an entry on record."""
    values = dict(row)
    seq, recorded_us = values.pop("seq"), values.pop("recorded_us")
    values["group"] = values.pop("group_name")
    values["origin"] = values.get("origin") or ""
    values["alarm"] = AlarmKind(values["alarm"])
    values["event"] = AlarmEvent(values["event"])
    values["state"] = AlarmState(values["state"])
    values["priority"] = Priority(values["priority"])
    return JournalRow(seq, recorded_us, JournalEntry(**values))
