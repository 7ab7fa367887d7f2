"""Is what is stored still whole: by the database's own checks, journal numbers, checksums of sealed files."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import sqlalchemy as sa

from hissmark.store.archive.place import Place, digest
from hissmark.store.errors import StoreError, in_words
from hissmark.store.open import place_of
from hissmark.store.schema import journal
from hissmark.store.tables_archive import sealed_files

PARTS = 30
"""Sealed files are read again in so many parts, one a day: the disk is spared, and a month sees them all."""


def damage(engine: sa.Engine, *, thorough: bool = False) -> list[str]:
    """What the database itself finds damaged, in its words; empty if nothing.

    SQLite reads itself through (`thorough`: with all indexes). PostgreSQL tells how many pages had a wrong
    checksum since its statistics began; without checksums it cannot tell and nothing is found.
    """
    try:
        return _damage(engine, thorough)
    except StoreError as error:
        if error.retry:
            raise
        return [str(error)]  # too damaged to be read through


def _damage(engine: sa.Engine, thorough: bool) -> list[str]:
    with in_words(place_of(engine.url)), engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            check = "integrity_check" if thorough else "quick_check"
            said = [str(row[0]) for row in connection.exec_driver_sql(f"PRAGMA {check}(5)")]
            return [] if said == ["ok"] else said
        query = "SELECT checksum_failures FROM pg_stat_database WHERE datname = current_database()"
        failures = connection.exec_driver_sql(query).scalar() or 0
        return [f"{failures} pages with a wrong checksum"] if failures else []


def journal_gaps(engine: sa.Engine) -> tuple[int, str]:
    """How many entries the alarm journal has, and what is missing among their numbers ("" if nothing)."""
    query = sa.select(sa.func.count(), sa.func.min(journal.c.seq), sa.func.max(journal.c.seq))
    with in_words(place_of(engine.url)), engine.connect() as connection:
        count, first, last = connection.execute(query).one()
    whole = not count or (first == 1 and last == count)
    return count, "" if whole else f"{count} entries, numbers {first} to {last}"


def damaged_files(engine: sa.Engine, place: Place, part: int, parts: int = PARTS) -> Iterator[str]:
    """Sealed files of this part that are missing or not as they were sealed, each in a sentence."""
    c = sealed_files.c
    query = sa.select(c.path, c.sha256).where(c.generation > 0)
    with in_words(place_of(engine.url)), engine.connect() as connection:
        rows = connection.execute(query).all()
    for path, sealed in rows:
        if zlib.crc32(path.encode()) % parts != part % parts:
            continue
        found = _digest(place, path)
        if found is None:
            yield f"{path} of the archive is missing"
        elif found != sealed and _still_sealed(engine, path, sealed):
            yield f"{path} of the archive is not as it was sealed (checksum)"


def _still_sealed(engine: sa.Engine, path: str, sealed: str) -> bool:
    """Late data may have sealed a file anew while it was read."""
    c = sealed_files.c
    with in_words(place_of(engine.url)), engine.connect() as connection:
        return sealed in connection.scalars(sa.select(c.sha256).where(c.path == path)).all()


def _digest(place: Place, path: str) -> str | None:
    """SHA-256 of a file of the archive; None if it is not there."""
    try:
        return digest(place.open(path))
    except FileNotFoundError:
        return None
