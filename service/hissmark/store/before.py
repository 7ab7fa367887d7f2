"""What the journal holds of each alarm before a moment, without reading all of it."""

from __future__ import annotations

import sqlalchemy as sa

from hissmark.store.journal import row_of
from hissmark.store.records import JournalRow
from hissmark.store.schema import journal
from hissmark.store.tables_backfill import found_later


def last_of_each(
    connection: sa.Connection,
    before_us: int,
    *,
    group: str | None = None,
    state: str | None = None,
    event: str | None = None,
) -> list[JournalRow]:
    """The last entry of each alarm with event time before `before_us`, by `seq`.

    As it was told then: entries that were only found in a back-fill do not count. Of those that led into
    `state`, of those of the kind `event`, where given.
    """
    c = journal.c
    told_then = c.seq.not_in(sa.select(found_later.c.seq))
    newest = sa.select(sa.func.max(c.seq)).where(c.at_us < before_us, told_then)
    if group is not None:
        newest = newest.where(c.group_name == group)
    if event is not None:
        newest = newest.where(c.event == event)
    if state is not None:
        newest = newest.where(c.state == state)
    query = sa.select(journal).where(c.seq.in_(newest.group_by(c.valve, c.alarm))).order_by(c.seq)
    return [row_of(row) for row in connection.execute(query).mappings()]
