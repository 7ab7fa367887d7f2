"""The one error of the store, and the place where database errors are put into words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa


class StoreError(Exception):
    """Something about the store that a person has to know; the message says what to do.

    Attributes:
        retry: True if the same work may succeed later without anybody changing settings
            (disk full, database locked, server away). Then the whole transaction is to be run again.
    """

    def __init__(self, message: str, *, retry: bool = False) -> None:
        super().__init__(message)
        self.retry = retry


@contextmanager
def in_words(place: str) -> Iterator[None]:
    """Turn errors of the database behind `place` (file or address, without password) into `StoreError`."""
    try:
        yield
    except sa.exc.TimeoutError as error:
        raise StoreError(
            f"{place}: every database connection is in use; try again shortly.", retry=True
        ) from error
    except sa.exc.DBAPIError as error:
        raise _explained(place, error.orig or error) from error
    except sqlite3.Error as error:
        raise _explained(place, error) from error
    except Exception as error:
        if not _is_psycopg(error):
            raise
        raise _explained(place, error) from error


def _is_psycopg(error: BaseException) -> bool:
    return any(kind.__module__.split(".")[0] == "psycopg" for kind in type(error).__mro__)


# Text in the database's message -> (what to tell, whether to try again).
_SQLITE = (
    (
        "database or disk is full",
        "the disk is full. Free space on it; nothing acknowledged was lost, writing resumes by itself.",
        True,
    ),
    ("disk i/o error", "the disk did not read or write. Check the disk and its free space.", True),
    (
        "database is locked",
        "another program keeps the database locked. Close what holds it (a database browser, a copy "
        "job); writing resumes by itself.",
        True,
    ),
    (
        "readonly database",
        "the database may not be written. Give the user that runs hissmark write permission on the file "
        "and its folder.",
        False,
    ),
    (
        "unable to open database file",
        "the database cannot be opened. Check that the folder exists and that the user that runs "
        "hissmark may read and write it.",
        False,
    ),
    ("file is not a database", "the file is not a SQLite database. Check [store] url in site.toml.", False),
    ("malformed", "the database file is damaged. Stop hissmark and restore the last backup.", False),
    ("no such table", "the database has no hissmark tables. Run `hissmark run` once to create them.", False),
    ("append-only", "entries on record are never changed or removed.", False),
)

# SQLSTATE, or its first two characters (the class), of PostgreSQL's appendix A "Error Codes".
_POSTGRES = {
    "53100": (
        "the database server's disk is full. Free space on it; nothing acknowledged was lost, writing "
        "resumes by itself.",
        True,
    ),
    "53300": ("the database server has no connection left. Raise max_connections.", True),
    "28": ("the database server refused the user or password. Check [store] url in site.toml.", False),
    "3D": ("the database does not exist. Create it with `createdb`, or correct [store] url.", False),
    "42501": ("the database user lacks a permission. Grant it the right to create and write tables.", False),
    "42P01": ("the database has no hissmark tables. Run `hissmark run` once to create them.", False),
    # A part of `samples` came to be while a row was on its way to where it belonged before.
    "23514": ("the tables changed underneath; the work is done again.", True),
    "25006": ("the database server is read-only (a standby?). Point [store] url at the primary.", True),
    "40": ("the database had to roll back; the work is done again.", True),
    "55P03": ("another program keeps a table locked; writing resumes by itself.", True),
    "57": ("the database server was stopped or is starting; writing resumes by itself.", True),
    "08": ("the connection to the database server was lost; writing resumes by itself.", True),
    "P0001": ("entries on record are never changed or removed.", False),
}


def _explained(place: str, error: BaseException) -> StoreError:
    detail = " ".join(str(error).split()) or type(error).__name__
    for text, advice, retry in _SQLITE:
        if isinstance(error, sqlite3.Error) and text in detail.lower():
            return StoreError(f"{place}: {advice} ({detail})", retry=retry)
    if _is_psycopg(error):
        return _explained_postgres(place, error, detail)
    return StoreError(f"{place}: the database reported an error: {detail}")


def _explained_postgres(place: str, error: BaseException, detail: str) -> StoreError:
    state = getattr(error, "sqlstate", None) or ""
    known = _POSTGRES.get(state) or _POSTGRES.get(state[:2])
    if known is not None:
        return StoreError(f"{place}: {known[0]} ({detail})", retry=known[1])
    if "OperationalError" in {kind.__name__ for kind in type(error).__mro__}:
        return _unreachable(place, detail)
    return StoreError(f"{place}: the database reported an error: {detail}")


def _unreachable(place: str, detail: str) -> StoreError:
    """psycopg reports failures while connecting without SQLSTATE; only the text tells them apart."""
    if "certificate" in detail:
        advice = (
            "the certificate of the database server is not to be trusted. Renew it, or name in [store] url "
            "the host it was made for, and in sslrootcert the authority that signed it."
        )
        retry = True  # it may have been renewed
    elif "does not support SSL" in detail:
        advice = "the database server does not encrypt, and sslmode in [store] url asks for it."
        retry = False
    elif "password" in detail or "authentication" in detail or "role" in detail:
        advice, retry = _POSTGRES["28"]
    elif "does not exist" in detail and "database" in detail:
        advice, retry = _POSTGRES["3D"]
    else:
        advice = (
            "the PostgreSQL server cannot be reached. Check that it runs, and host, port and user in "
            "[store] url of site.toml."
        )
        retry = True
    return StoreError(f"{place}: {advice} ({detail})", retry=retry)
