"""The archive of older samples in a backup: the files that the backed-up tables name.

A file is only ever replaced by one that holds more, so a newer one than the tables know of is as good.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pyarrow.parquet as pq  # type: ignore[import-untyped]

from hissmark.backup.manifest import BackupError, record_of
from hissmark.store.archive.place import Folder, Place

ARCHIVE = "archive"


class MovedError(Exception):
    """A file that the tables name is no longer there: it was deleted by age while the backup was made."""


def copy_archive(place: Place | None, backup: Path) -> None:
    """Copy the sealed files that the backup's tables name. An archive that is no folder stays where it is."""
    if not isinstance(place, Folder):
        return
    named = pq.read_table(backup / "tables" / "sealed_files.parquet", columns=["path", "generation"])
    # Generation 0 is only planned, a negative one is on its way out: neither need have a file.
    for path in sorted(row["path"] for row in named.to_pylist() if row["generation"] > 0):
        to = backup / ARCHIVE / path
        to.parent.mkdir(parents=True, exist_ok=True)
        try:
            shutil.copyfile(place.root / path, to)
        except FileNotFoundError as error:
            raise MovedError(f"{place.root / path}: a file of the archive is missing.") from error


def bring_archive_back(backup: Path, place: Place | None) -> None:
    """Put the backup's files into the archive. Raises BackupError where another file is in the way."""
    root = backup / ARCHIVE
    if not root.is_dir():
        return
    if not isinstance(place, Folder):
        raise BackupError(
            f"{backup} holds an archive, but [store] archive names no folder. Set it to one, or copy the "
            "files of the backup there by hand."
        )
    for source in sorted(p for p in root.rglob("*") if p.is_file()):
        path = source.relative_to(root).as_posix()
        there = place.root / path
        if not there.exists():
            with place.draft() as draft:
                shutil.copyfile(source, draft)
                place.publish(draft, path)
        elif record_of(place.root, there).sha256 != record_of(root, source).sha256:
            raise BackupError(f"{there} is there and differs. Name another folder in [store] archive.")
