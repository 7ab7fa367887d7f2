"""`hissmark backup`: everything a site consists of, as it was at one moment, while the service runs on."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec
import sqlalchemy as sa

from hissmark import __version__
from hissmark.backup.archive import MovedError, copy_archive
from hissmark.backup.manifest import (
    FORMAT,
    NAME,
    BackupError,
    FileRecord,
    Manifest,
    TableRecord,
    record_of,
)
from hissmark.backup.tables import write_table
from hissmark.publish.times import rfc3339
from hissmark.site.load import Site
from hissmark.store.errors import in_words
from hissmark.store.open import head_revision, open_for_reading, place_of
from hissmark.store.schema import metadata

NOT_KEPT = frozenset({"sessions", "sign_in_failures"})
"""Tables that would be wrong to bring back: who was signed in then is not signed in now."""

UNFINISHED = ".unfinished"
"""What a folder's name ends with until the backup is complete."""

Progress = Callable[[str, int, int], None]
"""Called with what is being written, rows done and rows in all."""


@dataclass(frozen=True, slots=True)
class Made:
    """A finished backup."""

    folder: Path
    manifest: Manifest


def _silent(_what: str, _done: int, _all: int) -> None:
    pass


def write_backup(site: Site, to: Path, now_us: int, progress: Progress = _silent) -> Made:
    """Write a backup into a new folder `to`; it appears there only once it is complete.

    Raises BackupError or StoreError. The database is read in one transaction, so that everything is as it was
    at one moment; writing goes on beside it.
    """
    if to.exists():
        raise BackupError(f"{to} is there already. Name a folder that does not exist yet.")
    unfinished = to.with_name(to.name + UNFINISHED)
    try:
        for tries_left in (2, 1, 0):
            shutil.rmtree(unfinished, ignore_errors=True)  # of a run that was cut short, or an earlier try
            unfinished.mkdir(parents=True, mode=0o700)
            (unfinished / "tables").mkdir()
            try:
                manifest = _fill(site, unfinished, now_us, progress)
                break
            except MovedError as error:  # deleted by age while we were at it: once more from the start
                if not tries_left:
                    raise BackupError(str(error)) from error
        os.replace(unfinished, to)
        _settle(to.parent)
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise BackupError(f"{to} cannot be written: {reason}. Free space, or name another folder.") from error
    return Made(to, manifest)


def _fill(site: Site, folder: Path, now_us: int, progress: Progress) -> Manifest:
    for name in ("site.toml", "register.csv"):
        shutil.copyfile(site.folder / name, folder / name)
    engine = open_for_reading(site.store_url, site.folder)
    try:
        with in_words(place_of(engine.url)):
            tables = _tables(engine, folder, progress)
    finally:
        engine.dispose()
    copy_archive(site.archive, folder)
    files = _records(folder)
    manifest = Manifest(
        FORMAT, __version__, head_revision(), rfc3339(now_us), site.name, engine.dialect.name, tables, files
    )
    text = msgspec.json.format(msgspec.json.encode(manifest), indent=2)
    (folder / NAME).write_bytes(text + b"\n")
    for record in files:
        _flush(folder / record.path)
    _flush(folder / NAME)
    return manifest


def _tables(engine: sa.Engine, folder: Path, progress: Progress) -> tuple[TableRecord, ...]:
    wanted = [table for table in metadata.sorted_tables if table.name not in NOT_KEPT]
    made, done = [], 0
    # PostgreSQL would show each statement its own moment otherwise; SQLite shows a transaction one.
    level = "REPEATABLE READ" if engine.dialect.name == "postgresql" else "SERIALIZABLE"
    with engine.connect() as fresh:
        connection = fresh.execution_options(isolation_level=level) if level != "SERIALIZABLE" else fresh
        with connection.begin():
            counts = {t.name: _count(connection, t) for t in wanted}
            total = sum(counts.values())

            for table in wanted:
                path = folder / "tables" / f"{table.name}.parquet"

                def told(rows: int, name: str = table.name) -> None:
                    nonlocal done
                    done += rows
                    progress(name, done, total)

                rows = write_table(connection, table, path, told)
                made.append(TableRecord(str(table.name), path.relative_to(folder).as_posix(), rows))
    return tuple(made)


def _count(connection: sa.Connection, table: sa.Table) -> int:
    return int(connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0)


def _records(folder: Path) -> tuple[FileRecord, ...]:
    return tuple(record_of(folder, path) for path in sorted(folder.rglob("*")) if path.is_file())


def _flush(path: Path) -> None:
    """Make sure that a file is on the disk and not only on its way."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _settle(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
