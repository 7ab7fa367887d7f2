"""Only one process at a time writes files of the archive: the service, or an import beside it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from hissmark.store.errors import StoreError, in_words
from hissmark.store.lock import WriterLock
from hissmark.store.open import place_of

PATIENCE_S = 600.0


@contextmanager
def alone(engine: sa.Engine, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Wait for whoever writes files at present; StoreError if that takes too long. Ends with the process,
    too.
    """
    lock = WriterLock(engine, "archive")
    with in_words(place_of(engine.url)):
        connection = engine.connect()
        connection.detach()  # closing it must end the session, and PostgreSQL's lock with it
    try:
        deadline_s = time.monotonic() + patience_s
        while not lock.tried(connection):
            if time.monotonic() > deadline_s:
                raise StoreError(
                    "The archive is being written by another process. Try again later.", retry=True
                )
            time.sleep(0.1)
        yield
    finally:
        connection.close()
        lock.release()
