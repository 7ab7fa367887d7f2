"""Keeps a second service from writing to the same store."""

from __future__ import annotations

import os
import time
import zlib
from pathlib import Path

import sqlalchemy as sa

from hissmark.store.errors import StoreError
from hissmark.store.open import place_of

try:
    import fcntl
except ImportError:  # not a POSIX system: there SQLite's own lock has to do
    fcntl = None  # type: ignore[assignment]

_CLASS = 0x6869_7373  # first half of PostgreSQL's two-part advisory lock key, arbitrary but fixed
# Where the network swallowed a session's end, the server still keeps it, and the lock with it: our own former
# session is ended from here. Nobody else's is: the start tells it from a later one of the same number.
_THIS_SESSION = sa.text("SELECT pid, backend_start FROM pg_stat_activity WHERE pid = pg_backend_pid()")
_END_SESSION = sa.text(
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE pid = :pid AND backend_start = :backend_start"
)
_PATIENCE_S = 3.0
"""A server needs a moment to notice that a killed predecessor has gone."""


class WriterLock:
    """Held by the writing session. SQLite: a lock file beside the database; PostgreSQL: an advisory lock.

    Both vanish with the process, so nothing has to be cleaned up after a kill.
    """

    def __init__(self, engine: sa.Engine, shard: str) -> None:
        self._place = place_of(engine.url)
        self._shard = shard
        self._file: int | None = None
        self._session: dict[str, object] | None = None
        """PostgreSQL: the session that last held the lock for us."""

    def acquire(self, connection: sa.Connection) -> None:
        """Take the lock for this session, or raise StoreError."""
        deadline = time.monotonic() + _PATIENCE_S
        while not self.tried(connection):
            if time.monotonic() > deadline:
                raise StoreError(
                    f"{self._place}: another `hissmark run` is writing to this store. Stop it first; two "
                    "would annunciate everything twice."
                )
            time.sleep(0.1)

    def tried(self, connection: sa.Connection) -> bool:
        """Take it if it is free; whether it is held now."""
        if connection.dialect.name == "sqlite":
            return self._try_file()
        key = zlib.crc32(self._shard.encode()) - 2**31
        with connection.begin():
            held = bool(connection.scalar(sa.select(sa.func.pg_try_advisory_lock(_CLASS, key))))
            if held:
                self._session = connection.execute(_THIS_SESSION).one()._asdict()
            elif self._session is not None:
                connection.execute(_END_SESSION, self._session)
        return held

    def _try_file(self) -> bool:
        if self._file is not None or fcntl is None:
            return True
        path = Path(f"{self._place}.{self._shard}.lock")
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StoreError(
                f"{path}: the lock file cannot be made ({error.strerror}). Give the user that runs hissmark "
                "write permission on its folder."
            ) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            return False
        self._file = handle
        return True

    def release(self) -> None:
        """Let go of the lock file; the advisory lock went with its session."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
