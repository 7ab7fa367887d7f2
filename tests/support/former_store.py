"""A database as an earlier version of the program left it: its tables, with the rows of one of today."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from hissmark.backup.tables import follow_keys
from hissmark.store.open import VERSION_TABLE, open_at_revision, open_for_reading

ROWS_AT_ONCE = 5000


def copy_as_of(revision: str, source_url: str, url: str, folder: Path) -> int:
    """Make the database `url` with the tables of `revision` and fill them; returns how many rows it has."""
    source, made = open_for_reading(source_url, folder), open_at_revision(url, folder, revision)
    try:
        old, new = sa.MetaData(), sa.MetaData()
        old.reflect(made)
        new.reflect(source)
        with source.connect() as reading, made.begin() as writing:
            copied = sum(
                _copy(reading, writing, new.tables[table.name], table)
                for table in old.sorted_tables
                if table.name in new.tables and table.name != VERSION_TABLE
            )
            for table in old.sorted_tables:
                follow_keys(writing, table)
        return copied
    finally:
        source.dispose()
        made.dispose()


def _copy(reading: sa.Connection, writing: sa.Connection, source: sa.Table, target: sa.Table) -> int:
    names = [column.name for column in target.columns if column.name in source.columns]
    rows = reading.execute(sa.select(*(source.c[name] for name in names)))
    copied = 0
    for some in rows.mappings().partitions(ROWS_AT_ONCE):
        writing.execute(sa.insert(target), [dict(row) for row in some])
        copied += len(some)
    return copied
