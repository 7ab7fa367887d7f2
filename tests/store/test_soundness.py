"""Damage is found: in the database, in the journal's numbers, in sealed files."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.soundness import damage, damaged_files, journal_gaps
from support.sealing import D0, days, sealer, write

ENTRY = (
    "INSERT INTO journal SELECT {seq}, 1, 1, 'v', 'g', 'passing', 'raised', 's', 'low', NULL, NULL,"
    " '', '', '', 0"
)


def test_what_is_whole_is_found_whole(store: Any) -> None:
    write(store, days(1, 10))
    assert damage(store.engine()) == []
    assert damage(store.engine(), thorough=True) == []
    assert journal_gaps(store.engine()) == (0, "")


def test_a_gap_in_the_journal(sqlite_store: Any) -> None:
    """The database lets nobody leave one out afterwards; the first may be wrong."""
    engine = sqlite_store.engine()
    with engine.begin() as connection:
        connection.execute(sa.text(ENTRY.format(seq=3)))
    assert journal_gaps(engine) == (1, "1 entries, numbers 3 to 3")


def test_a_page_that_was_overwritten(sqlite_store: Any) -> None:
    write(sqlite_store, days(1, 2000)).close()
    file = Path(sqlite_store.folder) / "data" / "hissmark.db"
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'samples'").fetchone()[0]
        size = connection.execute("PRAGMA page_size").fetchone()[0]
    raw = bytearray(file.read_bytes())
    raw[(root - 1) * size : (root - 1) * size + 200] = b"\xa5" * 200
    file.write_bytes(raw)
    assert damage(sqlite_store.engine()) != []


def test_sealed_files_that_are_gone_or_changed(store: Any) -> None:
    """Every file is looked at by one of the parts, and by one only."""
    write(store, days(2, 50))
    list(sealer(store).seal_before(D0 + 2 * DAY_US))
    engine, root = store.engine(), store.archive.root
    files = sorted(path for path in root.rglob("*.parquet"))
    assert len(files) > 4
    assert [found for part in range(3) for found in damaged_files(engine, store.archive, part, 3)] == []
    files[0].unlink()
    raw = bytearray(files[-1].read_bytes())
    raw[len(raw) // 2] ^= 1
    files[-1].write_bytes(raw)
    found = [found for part in range(3) for found in damaged_files(engine, store.archive, part, 3)]
    gone, changed = (str(path.relative_to(root)) for path in (files[0], files[-1]))
    assert sorted(found) == sorted(
        [
            f"{gone} of the archive is missing",
            f"{changed} of the archive is not as it was sealed (checksum)",
        ]
    )


@pytest.mark.postgres
def test_postgresql_is_asked_for_its_checksums(postgres_store: Any) -> None:
    """Nothing to find on a whole database, with or without checksums (NULL then)."""
    assert damage(postgres_store.engine()) == []
