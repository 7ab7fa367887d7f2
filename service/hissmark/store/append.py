"""Samples into the database from another process than the service: short transactions beside its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from hissmark.store import arrivals, rows
from hissmark.store.backfill import Mark, mark
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.rows import Columns

ROWS_AT_ONCE = 20_000


def append(
    engine: sa.Engine, columns: Columns, marks: Sequence[Mark], now_us: int, *, feed: bool = True
) -> int:
    """Store what is not stored yet, and mark it in the same transaction; returns how many samples were
    new.
    """
    whole = Columns.of(columns.time_us, columns.series_id, columns.value, columns.flags)
    new = 0
    for begin in range(0, len(whole), ROWS_AT_ONCE):
        some = slice(begin, begin + ROWS_AT_ONCE)
        part = Columns(whole.time_us[some], whole.series_id[some], whole.value[some], whole.flags[some])
        with in_words(place_of(engine.url)), engine.begin() as connection:
            part = arrivals.fresh(connection, part)
            added = _insert(connection, part)
            if feed:
                arrivals.note(connection, part, now_us)
            if added and not new:
                mark(connection, marks)
        new += added
    return new


def _insert(connection: sa.Connection, part: Columns) -> int:
    if not len(part):
        return 0
    driver: Any = connection.connection.dbapi_connection
    if connection.dialect.name == "sqlite":
        return rows.insert_sqlite(driver, part)
    connection.exec_driver_sql(rows.STAGING)
    return rows.PostgresInserter().insert(driver, part)
