"""Where the files of the archive are: a folder, or any store that fsspec reaches.

Files are put in whole or not at all, always under the same name: whoever reads the folder never sees a
half-written file, nor a sample in two files.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from hissmark.store.errors import StoreError

_BLOCK_BYTES = 1 << 20
_DRAFT = ".draft-"
_PART = ".part"


class Place(Protocol):
    """Files by their path below the archive, with forward slashes."""

    def draft(self) -> Any:
        """Context manager: a local path to write a file to; it vanishes unless it was published."""

    def publish(self, draft: Path, path: str) -> None:
        """Put a draft into its place, durably, instead of what is there."""

    def open(self, path: str) -> Any:
        """What pyarrow reads from: a path or an open file. Raises FileNotFoundError."""

    def delete(self, path: str) -> None:
        """Remove a file; one that is not there is no error."""

    def exists(self, path: str) -> bool: ...

    def sweep(self) -> int:
        """Remove what writers left behind that were killed; returns how many files. Nobody may be writing."""


def place_of(location: str, folder: Path) -> Place | None:
    """The place that ``[store] archive`` names; None if it is empty (nothing is sealed).

    A relative path counts from the site folder. Raises StoreError if fsspec cannot reach the kind of store.
    """
    if not location:
        return None
    if "://" not in location:
        return Folder(folder / location)
    return Remote(location)


class Folder:
    """A folder on a local or mounted disk."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @contextmanager
    def draft(self) -> Iterator[Path]:
        try:
            self.root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self.root}: the archive cannot be made ({error.strerror}).") from error
        draft = self.root / f"{_DRAFT}{uuid.uuid4().hex}"
        try:
            yield draft
        finally:
            draft.unlink(missing_ok=True)

    def publish(self, draft: Path, path: str) -> None:
        place = self.root / path
        made = [folder for folder in place.parents if not folder.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
        _sync(draft)
        os.replace(draft, place)
        for folder in dict.fromkeys([place.parent, *(folder.parent for folder in made)]):
            _sync(folder)

    def open(self, path: str) -> str:
        place = self.root / path
        if not place.exists():
            raise FileNotFoundError(str(place))
        return str(place)

    def delete(self, path: str) -> None:
        (self.root / path).unlink(missing_ok=True)

    def exists(self, path: str) -> bool:
        return (self.root / path).exists()

    def sweep(self) -> int:
        left = list(self.root.glob(f"{_DRAFT}*"))
        for draft in left:
            draft.unlink(missing_ok=True)
        return len(left)


class Remote:
    """A store that fsspec reaches. It has to make a finished file visible at once, as object stores do."""

    def __init__(self, url: str) -> None:
        import fsspec  # type: ignore[import-untyped]

        try:
            self._files, self._root = fsspec.core.url_to_fs(url)
        except (ImportError, ValueError) as error:
            raise StoreError(f"[store] archive {url!r} cannot be reached: {error}.") from error

    @contextmanager
    def draft(self) -> Iterator[Path]:
        with tempfile.TemporaryDirectory(prefix="hissmark-draft-") as folder:
            yield Path(folder) / "draft"

    def publish(self, draft: Path, path: str) -> None:
        place = self._at(path)
        self._files.makedirs(place.rpartition("/")[0], exist_ok=True)
        self._files.put_file(str(draft), place + _PART)
        self._files.mv(place + _PART, place)
        self._files.invalidate_cache()

    def open(self, path: str) -> Any:
        return self._files.open(self._at(path), "rb")

    def delete(self, path: str) -> None:
        if self._files.exists(self._at(path)):
            self._files.rm(self._at(path))

    def exists(self, path: str) -> bool:
        return bool(self._files.exists(self._at(path)))

    def sweep(self) -> int:
        left = [path for path in self._files.find(self._root) if path.endswith(_PART)]
        for path in left:
            self._files.rm(path)
        return len(left)

    def _at(self, path: str) -> str:
        return f"{self._root}/{path}"


def digest(source: Any) -> str:
    """SHA-256 of a file, hexadecimal. `source`: its path, or what `Place.open` gave."""
    found = hashlib.sha256()
    with Path(source).open("rb") if isinstance(source, str | Path) else source as file:
        while block := file.read(_BLOCK_BYTES):
            found.update(block)
    return found.hexdigest()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
