"""The database and its disk: damage, room, what piles up, and whether there are backups."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from hissmark.backup.kept import finished, made_at
from hissmark.doctor.finding import Finding, fine, look, wrong
from hissmark.publish.times import age_text
from hissmark.site.files import file_of
from hissmark.site.load import Site
from hissmark.site.local_folders import folders_of
from hissmark.store.reader import Reader
from hissmark.store.soundness import damage, journal_gaps

_AREA = "database"
QUICK_BYTES = 2 << 30
"""A larger database is read through only when asked to."""
LARGE_WAL_BYTES = 1 << 30
LEAST_FREE_BYTES = 1 << 30


def look_at_storage(site: Site, engine: sa.Engine, thorough: bool) -> Iterator[Finding]:
    """Damage, room on the disk, the write-ahead log, gaps in the journal."""
    size = Reader(engine).size()
    if engine.dialect.name == "sqlite":
        path = Path(str(engine.url.database))
        yield from _room(path, size.database_bytes + size.wal_bytes)
        yield from _damage(engine, path, size.database_bytes, thorough)
        if size.wal_bytes > LARGE_WAL_BYTES:
            do = "Close what reads the database for hours (a database browser, a stuck copy job)."
            yield look(_AREA, f"The write-ahead log is {size.wal_bytes / 1e9:.1f} GB large.", do)
    else:
        yield fine(_AREA, f"PostgreSQL answers; {size.database_bytes / 1e9:.2f} GB.")
    yield _journal(engine)


def look_at_keeping(site: Site) -> Iterator[Finding]:
    """Room where archive and backups go, and what becomes of old samples."""
    store = site.settings.store
    for what, folder in folders_of(site).items():
        there = next(path for path in (folder, *folder.parents) if path.exists())
        free = shutil.disk_usage(there).free
        if what != "database" and free < LEAST_FREE_BYTES:
            said = f"{free / 1e9:.1f} GB free where the {what} {_VERB[what]} ({folder})."
            yield wrong(_AREA, said, _MAKE_ROOM[what])
        if not os.access(there, os.W_OK | os.X_OK):
            do = "Let the user that runs hissmark write there; run this command as that user to be sure."
            yield look(_AREA, f"{there} cannot be written by us, and the {what} {_VERB[what]} there.", do)
    if not store.archive and not store.retention_days:
        do = "Set archive (older samples become files, a tenth as large), or retention_days."
        yield look(_AREA, "Samples stay in the database for good: it grows without end.", do)
    elif not store.archive:
        said = f"Samples older than {store.retention_days} days are deleted, and are kept nowhere else."
        yield look(_AREA, said, "Set archive if they may be wanted: no replay or tuning without them.")


_VERB = {"database": "is", "archive": "is", "backups": "are"}
_MAKE_ROOM = {
    "archive": "Make room: older samples stay in the database until there is some.",
    "backups": "Make room, or keep fewer (backup_keep): no backup is made until there is some.",
}


def _room(path: Path, used: int) -> Iterator[Finding]:
    free = shutil.disk_usage(path.parent).free
    said = f"{free / 1e9:.1f} GB free where the database is ({used / 1e9:.2f} GB)."
    if free < LEAST_FREE_BYTES:
        yield wrong(_AREA, said, "Make room: with none left nothing is stored, and the broker's disk fills.")
    elif free < used / 4:
        yield look(_AREA, said, "Make room, or let it forget old samples (retention_days).")
    else:
        yield fine(_AREA, said)


def _damage(engine: sa.Engine, path: Path, size: int, thorough: bool) -> Iterator[Finding]:
    if size > QUICK_BYTES and not thorough:
        yield fine(_AREA, "Not read through for damage (large; --thorough does).")
        return
    said = damage(engine, thorough=thorough)
    if not said:
        yield fine(_AREA, f"{path.name} is sound ({'integrity' if thorough else 'quick'} check).")
    else:
        do = "Stop the service, keep the file, and restore the newest backup (hissmark restore)."
        yield wrong(_AREA, f"{path} is damaged: {'; '.join(said)}", do)


def _journal(engine: sa.Engine) -> Finding:
    count, gaps = journal_gaps(engine)
    if gaps:
        said = f"The alarm journal has gaps: {gaps}."
        return wrong(_AREA, said, "Somebody has deleted from it. Compare with a backup.")
    return fine(_AREA, f"The alarm journal is whole: {count} entries.")


def look_at_backups(site: Site, now_us: int) -> Iterator[Finding]:
    """Whether backups are made, and how old the newest is."""
    store = site.settings.store
    if store.backup_folder is None:
        do = "Set backup_folder in [store] to a folder on another disk, or run `hissmark backup` by a timer."
        yield look("backups", "The service makes none by itself.", do)
        return
    made = finished(file_of(site.folder, store.backup_folder))
    newest = made_at(made[-1]) if made else None
    if newest is None:
        do = "See the service's log, or make one now: hissmark backup."
        yield look("backups", f"There is none in {store.backup_folder} yet.", do)
        return
    age_s = (datetime.fromtimestamp(now_us / 1e6, UTC) - newest).total_seconds()
    said = f"The newest of {len(made)} is {age_text(age_s)} old."
    if age_s > 2 * store.backup_every_h * 3600:
        yield wrong("backups", said, "See the service's log: disk full, folder not writable?")
    else:
        yield fine("backups", said)
