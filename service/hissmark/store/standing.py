"""The alarms that stood at a past moment, read from the journal.

The journal has every transition of an alarm, in event time. Two things it tells less exactly than the engine
knew them: whether the condition of an alarm that was put aside went meanwhile, and where its rise stood after
its last entry.
"""

from __future__ import annotations

from collections.abc import Iterable

import sqlalchemy as sa

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmState
from hissmark.store import before
from hissmark.store.records import JournalRow
from hissmark.store.schema import actions

_Key = tuple[str, str]


def alarms_at(connection: sa.Connection, at_us: int, group: str | None = None) -> list[Alarm]:
    """Every alarm not at rest at `at_us` (event time), in the order of their last entries."""
    last = [
        row
        for row in before.last_of_each(connection, at_us + 1, group=group)
        if row.entry.state is not AlarmState.NORMAL
    ]
    if not last:
        return []
    raised = _by_key(before.last_of_each(connection, at_us + 1, group=group, event=AlarmEvent.RAISED))
    cleared = _by_key(before.last_of_each(connection, at_us + 1, group=group, event=AlarmEvent.CLEARED))
    until_us = _shelved_until(connection, [r.entry.action_id for r in last])
    return [_alarm(row, raised.get(_key(row)), cleared.get(_key(row)), until_us) for row in last]


def _key(row: JournalRow) -> _Key:
    return row.entry.valve, row.entry.alarm.value


def _by_key(rows: Iterable[JournalRow]) -> dict[_Key, JournalRow]:
    return {_key(row): row for row in rows}


def _alarm(
    row: JournalRow, raised: JournalRow | None, cleared: JournalRow | None, until_us: dict[int, int]
) -> Alarm:
    entry = row.entry
    begun = raised or row
    ended = cleared is not None and cleared.seq > begun.seq
    return Alarm(
        entry.valve, entry.group, entry.alarm, entry.state, not ended, entry.priority, begun.entry.at_us,
        entry.at_us, entry.rise_db, entry.margin_db, begun.entry.reason, entry.operator, entry.comment,
        until_us.get(entry.action_id) if entry.state is AlarmState.SHELVED else None, entry.action_id,
    )  # fmt: skip


def _shelved_until(connection: sa.Connection, ids: list[int]) -> dict[int, int]:
    """Action -> until when it shelved, of those that did."""
    asked = [number for number in ids if number]
    query = sa.select(actions.c.id, actions.c.until_us).where(
        actions.c.id.in_(asked), actions.c.until_us.is_not(None)
    )
    return {row.id: row.until_us for row in connection.execute(query)} if asked else {}
