"""Puts every database that is asked for as a SQLite file onto a PostgreSQL server, in this process.

In the file's place stands a note of the database's name. A site folder that is copied, note and all, gets a
copy of the database; one without a note has no database yet. What already is a SQLite file stays one.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlalchemy as sa

VARIABLE = "HISSMARK_TEST_SERVER"
"""USER@HOST:PORT of a server that takes us without a password."""
EMPTY = "moved_empty"
"""A database with this program's tables and nothing in them: to copy it is quicker than to migrate."""
_NOTE = b"moved to the database "


class Mover(MetaPathFinder):
    """Moves the stores of a program as soon as it loads what opens them, and loads nothing for it."""

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name != "hissmark.store.open":
            return None
        spec = PathFinder.find_spec(name, path)
        assert spec
        assert spec.loader
        inner = spec.loader.exec_module

        def exec_module(opening: ModuleType) -> None:
            inner(opening)
            move(opening)

        spec.loader.exec_module = exec_module  # type: ignore[method-assign]
        return spec


def move(opening: ModuleType) -> None:
    """From now on, for all of the program. `opening`: the module `hissmark.store.open`."""
    resolve, writing = opening.resolve_url, opening._writing

    def resolve_url(url: str, folder: Path) -> sa.URL:
        return _moved(resolve(url, folder))

    def _writing(address: sa.URL, prepare: Callable[[sa.Engine], None]) -> sa.Engine:
        path = Path(address.database or "")
        if address.drivername == "sqlite" and path.parent.is_dir() and not path.exists():
            _create(path)
        found: sa.Engine = writing(_moved(address), prepare)
        return found

    opening.resolve_url, opening._writing = resolve_url, _writing  # type: ignore[attr-defined]


def _name(path: Path) -> str:
    return "moved_" + hashlib.sha256(os.fsencode(path)).hexdigest()[:16]


def _moved(address: sa.URL) -> sa.URL:
    """The same database where it is now."""
    if address.drivername != "sqlite":
        return address
    path = Path(str(address.database))
    noted = _noted(path)
    if noted is None:
        return address
    if noted != _name(path):
        _create(path, like=noted)
    import sqlalchemy as sa

    user, _, server = os.environ[VARIABLE].partition("@")
    host, _, port = server.partition(":")
    return sa.URL.create("postgresql+psycopg", user, host=host, port=int(port), database=_name(path))


def _noted(path: Path) -> str | None:
    """The database whose note stands there; None if it is something else, or nothing."""
    try:
        with path.open("rb") as file:
            head = file.read(200)
    except OSError:
        return None
    return head.removeprefix(_NOTE).decode() if head.startswith(_NOTE) else None


def _create(path: Path, like: str = EMPTY) -> None:
    import psycopg

    with contextlib.suppress(psycopg.errors.DuplicateDatabase):
        run(f"CREATE DATABASE {_name(path)} TEMPLATE {like}")
    path.write_bytes(_NOTE + _name(path).encode())


def drop_below(folder: Path) -> None:
    """Drop the databases whose notes lie in a folder, and the notes with them."""
    for path in folder.rglob("*.db"):
        noted = _noted(path)
        if noted is not None and noted == _name(path):
            run(f"DROP DATABASE IF EXISTS {noted} WITH (FORCE)")
            path.unlink()


def run(statement: str) -> None:
    """As the server's administrator."""
    import psycopg

    with psycopg.connect(f"postgresql://{os.environ[VARIABLE]}/postgres", autocommit=True) as connection:
        connection.execute(statement.encode())
