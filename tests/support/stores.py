"""An empty store for a test, on either database, and everything opened on it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.archive.place import Folder
from hissmark.store.reader import Reader

NAMES = ("PT-1", "XV-101", "XV-102", "XV-103")


@dataclass
class Store:
    """A store and everything opened on it, closed after the test."""

    url: str
    folder: Path
    _open: ExitStack = field(default_factory=ExitStack)

    @property
    def kind(self) -> str:
        return self.url.split("+")[0].split(":")[0]

    def engine(self) -> sa.Engine:
        engine = open_store(self.url, self.folder)
        self._open.callback(engine.dispose)
        return engine

    def writer(self, names: tuple[str, ...] = NAMES, **options: Any) -> Writer:
        writer = Writer(self.engine(), names, **options)
        self._open.callback(writer.close)
        return writer

    @property
    def archive(self) -> Folder:
        return Folder(self.folder / "archive")

    def reader(self) -> Reader:
        reader = Reader(open_for_reading(self.url, self.folder), self.archive)
        self._open.callback(reader.close)
        return reader

    def close(self) -> None:
        self._open.close()


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    """An empty store in a file."""
    opened = Store("sqlite:///data/hissmark.db", tmp_path)
    yield opened
    opened.close()
