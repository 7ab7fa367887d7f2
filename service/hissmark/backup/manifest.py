"""What a backup says of itself: `backup.json`, written last, with a checksum for every other file."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec

FORMAT = 1
NAME = "backup.json"
_CHUNK = 1 << 20


class BackupError(Exception):
    """A backup cannot be made, read or restored; the message says why and what to do."""


class FileRecord(msgspec.Struct, frozen=True):
    """One file: path inside the backup, size in bytes, SHA-256."""

    path: str
    size: int
    sha256: str


class TableRecord(msgspec.Struct, frozen=True):
    """One table of the database: its file (Parquet) and how many rows it has."""

    name: str
    path: str
    rows: int


class Manifest(msgspec.Struct, frozen=True):
    """Attributes:
    format: of the backup itself. program, revision: versions of the program and of the tables.
    made_at: RFC 3339. site: its name. store: kind of the database it came from.
    """

    format: int
    program: str
    revision: str
    made_at: str
    site: str
    store: str
    tables: tuple[TableRecord, ...]
    files: tuple[FileRecord, ...]

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(file.size for file in self.files)

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables)


def record_of(folder: Path, path: Path) -> FileRecord:
    """Size and checksum of a file in the backup `folder`."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return FileRecord(path.relative_to(folder).as_posix(), path.stat().st_size, digest.hexdigest())


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a backup. Raises BackupError."""
    try:
        raw = (folder / NAME).read_bytes()
    except OSError:
        raise BackupError(
            f"{folder} is no complete backup: it has no {NAME} (written last). Give the folder that "
            "`hissmark backup` named."
        ) from None
    try:
        manifest = msgspec.json.decode(raw, type=Manifest)
    except msgspec.DecodeError as error:
        raise BackupError(f"{folder / NAME} cannot be read: {error}. Use another backup.") from None
    if manifest.format != FORMAT:
        raise BackupError(
            f"{folder} has format {manifest.format}; this program reads {FORMAT}. It was made by hissmark "
            f"{manifest.program}: restore it with that version."
        )
    return manifest


def damaged(folder: Path, manifest: Manifest) -> list[str]:
    """What is missing or differs from its checksum, in words; empty for a sound backup."""
    found = []
    for wanted in manifest.files:
        path = folder / wanted.path
        if not path.is_file():
            found.append(f"{wanted.path} is missing")
        elif record_of(folder, path) != wanted:
            found.append(f"{wanted.path} is not what was written")
    return found
