"""Runs inside a `hissmark run` that a test has started with this folder on PYTHONPATH: kills the process at a
commit boundary. The product knows nothing of it.

STRIKE_AT   "before WHAT N" or "after WHAT N": SIGKILL right before, or right after, the N-th COMMIT of a
            transaction that wrote WHAT: the name of a table, or `*` for any. "ack - N": right after the N-th
            time that acknowledgements went to the broker's socket.
"""

import os
import re
import signal
import sqlite3
import threading
from typing import Any

AT = os.environ.get("STRIKE_AT", "")
WRITES = re.compile(r"\s*(?:INSERT(?: OR \w+)? INTO|UPDATE|DELETE FROM)\s+\"?(\w+)", re.IGNORECASE)

_mine = threading.local()  # a transaction belongs to the thread that commits it
_passed: dict[tuple[str, str], int] = {}
_lock = threading.Lock()


def _written() -> set[str]:
    if not hasattr(_mine, "tables"):
        _mine.tables = set()
    return _mine.tables


def _boundary(side: str, tables: set[str]) -> None:
    """Count this boundary; end here if it is the one. Nobody else passes one meanwhile."""
    with _lock:
        for what in ("*", *tables):
            key = (side, what)
            _passed[key] = _passed.get(key, 0) + 1
            if f"{side} {what} {_passed[key]}" == AT:
                os.kill(os.getpid(), signal.SIGKILL)


def _watch_commits() -> None:
    import sqlalchemy as sa
    from sqlalchemy.engine.default import DefaultDialect

    from hissmark.store import rows

    @sa.event.listens_for(sa.Engine, "before_cursor_execute")
    def _note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        found = WRITES.match(statement)
        if found:
            _written().add(found[1])

    @sa.event.listens_for(sa.Engine, "rollback")
    def _forget(_: Any) -> None:
        _written().clear()

    inner = DefaultDialect.do_commit

    def do_commit(self: Any, connection: Any) -> None:
        tables = set(_written())
        _written().clear()
        if tables:
            _boundary("before", tables)
        inner(self, connection)
        if tables:
            _boundary("after", tables)

    DefaultDialect.do_commit = do_commit  # type: ignore[method-assign]
    server = rows.PostgresInserter
    for owner, name in ((rows, "insert_sqlite"), (server, "insert"), (server, "straight")):
        setattr(owner, name, _noting_samples(getattr(owner, name)))


def _noting_samples(inner: Any) -> Any:
    """The driver's own inserts, which SQLAlchemy does not see."""

    def insert(*given: Any) -> Any:
        _written().add("samples")
        return inner(*given)

    return insert


def _watch_acks() -> None:
    from hissmark.ingest.client import FastClient

    inner = FastClient.loop_write

    def loop_write(self: Any, *given: Any) -> Any:
        acking = any(packet["command"] & 0xF0 == 0x40 for packet in list(self._out_packet))
        done = inner(self, *given)
        if acking:
            _boundary("ack", {"-"})
        return done

    FastClient.loop_write = loop_write  # type: ignore[method-assign]


if AT:
    assert sqlite3.sqlite_version  # the driver is there before anything is wrapped
    _watch_commits()
    _watch_acks()
