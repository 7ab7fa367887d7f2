"""`hissmark restore`: from a backup to a site folder that `hissmark run` takes up where it ended."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from hissmark.backup.archive import bring_archive_back
from hissmark.backup.manifest import BackupError, Manifest, TableRecord, damaged, read_manifest
from hissmark.backup.tables import follow_keys, read_table
from hissmark.site.load import load_site
from hissmark.store.errors import in_words
from hissmark.store.open import bring_up_to_date, open_at_revision, place_of
from hissmark.store.partitions import tend
from hissmark.store.schema import metadata

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Restored:
    """What was restored, and where the database is (without its password)."""

    manifest: Manifest
    store: str


def _silent(_what: str, _done: int, _all: int) -> None:
    pass


def restore_backup(
    backup: Path, folder: Path, store_url: str | None = None, progress: Progress = _silent
) -> Restored:
    """Restore `backup` into the site folder `folder`, which must not hold a site yet.

    Args:
        store_url: where the database shall be, if not where the settings say: a backup of SQLite can be
            restored into PostgreSQL and the other way round. The database must be empty.

    Raises BackupError, StoreError or SiteError; then the folder is as it was.
    """
    manifest = read_manifest(backup)
    faults = damaged(backup, manifest)
    if faults:
        more = f" and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise BackupError(f"{backup} is damaged: {'; '.join(faults[:3])}{more}. Use another backup.")
    taken = [name for name in ("site.toml", "register.csv", "data") if (folder / name).exists()]
    if taken:
        raise BackupError(
            f"{folder} holds {' and '.join(taken)} already; nothing is overwritten. Name a new folder."
        )
    existed = folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        return _restore(backup, manifest, folder, store_url, progress)
    except BaseException:
        _undo(folder, keep=existed)
        raise


def _restore(
    backup: Path, manifest: Manifest, folder: Path, store_url: str | None, progress: Progress
) -> Restored:
    for name in ("site.toml", "register.csv"):
        shutil.copyfile(backup / name, folder / name)
    site = load_site(folder)
    url = store_url or site.store_url
    bring_archive_back(backup, site.archive)
    engine = open_at_revision(url, folder, manifest.revision)
    try:
        place = place_of(engine.url)
        with in_words(place):
            _fill(engine, backup, manifest, place, progress)
        bring_up_to_date(engine)
        tend(engine, time.time_ns() // 1000, keep_days=10_000)
    finally:
        engine.dispose()
    return Restored(manifest, place)


def _fill(engine: sa.Engine, backup: Path, manifest: Manifest, place: str, progress: Progress) -> None:
    """All tables in one transaction. Their columns are those of the revision the backup was made at."""
    found = sa.MetaData()
    with engine.begin() as connection:
        found.reflect(connection)
        kept = {table.name: table for table in manifest.tables}
        for name in kept.keys() & found.tables.keys():
            if connection.scalar(sa.select(sa.literal(1)).select_from(found.tables[name]).limit(1)):
                raise BackupError(f"{place} is not empty: {name} has rows. Name an empty database.")
        done = 0

        for name in _in_order(kept):

            def told(rows: int, name: str = name) -> None:
                nonlocal done
                done += rows
                progress(name, done, manifest.rows)

            rows = read_table(connection, found.tables[name], backup / kept[name].path, told)
            if rows != kept[name].rows:
                raise BackupError(f"{kept[name].path} has {rows} rows, {kept[name].rows} were written.")
            follow_keys(connection, found.tables[name])


def _in_order(kept: Mapping[str, TableRecord]) -> list[str]:
    """Referenced tables first, as far as this program knows them."""
    known = [table.name for table in metadata.sorted_tables if table.name in kept]
    return known + sorted(kept.keys() - set(known))


def _undo(folder: Path, *, keep: bool) -> None:
    for name in ("site.toml", "register.csv"):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / "data", ignore_errors=True)
    if not keep:
        shutil.rmtree(folder, ignore_errors=True)
