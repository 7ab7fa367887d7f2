"""Puts every database that is asked for as a SQLite file onto a PostgreSQL server, in this process.

In the file's place stands a note of the database's name. A site folder that is copied, note and all, gets a
copy of the database; one without a note has no database yet. What already is a SQLite file stays one.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import psycopg
import sqlalchemy as sa

VARIABLE = "HISSMARK_TEST_SERVER"
"""USER@HOST:PORT of a server that takes us without a password."""
EMPTY = "moved_empty"
"""A database with this program's tables and nothing in them: to copy it is quicker than to migrate."""
_NOTE = b"moved to the database "


def move() -> None:
    """From now on, for all of the program."""
    from hissmark import store
    from hissmark.store import open as opening

    resolve, writing = opening.resolve_url, opening._writing

    def resolve_url(url: str, folder: Path) -> sa.URL:
        return _moved(resolve(url, folder))

    def _writing(address: sa.URL, prepare: Callable[[sa.Engine], None]) -> sa.Engine:
        path = Path(address.database or "")
        if address.drivername == "sqlite" and path.parent.is_dir() and not path.exists():
            _create(path)
        return writing(_moved(address), prepare)

    opening.resolve_url = store.resolve_url = resolve_url
    opening._writing = _writing


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
    with psycopg.connect(f"postgresql://{os.environ[VARIABLE]}/postgres", autocommit=True) as connection:
        connection.execute(statement.encode())
