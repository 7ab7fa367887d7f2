"""Notices that PostgreSQL has gone without a word: a cable, a host or something in between that fell silent.

A connection whose other end vanished waits for ever. Both ends therefore probe a connection that is silent
(`PROBED` here, `SERVER_SIDE` there: otherwise the server keeps a dead service's locks for hours). And since
something in between may take packets and pass nothing on, a thread asks the server over a connection of its
own now and then; if that gets no answer twice in a row, the open connections are cut. Whoever waited on one
gets an error, and the transaction is run again when the server is back.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
import structlog

if TYPE_CHECKING:
    import psycopg

log = structlog.get_logger("hissmark.store")

PROBED = {
    "keepalives": 1,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 25_000,  # ms
}
"""Parameters of libpq: a silent peer is given up after 25 s."""
SERVER_SIDE = (
    "SET tcp_keepalives_idle = 10; SET tcp_keepalives_interval = 5; SET tcp_keepalives_count = 3; "
    "SET tcp_user_timeout = 25000"
)
EVERY_S = 15.0
CONNECT_S = 10
PATIENCE = 2
"""Questions without an answer in a row until connections are cut: within a minute."""


class Vigil:
    """Watches over the connections of one engine while any is open.

    Args:
        parameters: what connections are opened with.
    """

    def __init__(self, engine: sa.Engine, parameters: dict[str, Any]) -> None:
        arguments, own = engine.dialect.create_connect_args(engine.url)
        self._arguments, self._parameters = arguments, {**own, **parameters}
        self._open: dict[int, psycopg.Connection[Any]] = {}
        self._lock = threading.Lock()
        self._watching = False
        sa.event.listen(engine, "connect", self._opened)
        sa.event.listen(engine, "close", self._closed)
        sa.event.listen(engine, "close_detached", self._closed)

    def _opened(self, connection: psycopg.Connection[Any], *_: object) -> None:
        connection.execute(SERVER_SIDE)
        connection.commit()
        with self._lock:
            self._open[id(connection)] = connection
            if not self._watching:
                self._watching = True
                threading.Thread(target=self._watch, name="postgres-vigil", daemon=True).start()

    def _closed(self, connection: psycopg.Connection[Any], *_: object) -> None:
        with self._lock:
            self._open.pop(id(connection), None)

    def _watch(self) -> None:
        silent = 0
        pause = threading.Event()
        while self._anything_open():
            pause.wait(EVERY_S)
            silent = 0 if self._answers() else silent + 1
            if silent >= PATIENCE:
                self._cut()
                silent = 0

    def _anything_open(self) -> bool:
        """Whether there is something to watch; if not the thread ends, and the next connection starts it."""
        with self._lock:
            self._open = {key: each for key, each in self._open.items() if not each.closed}
            self._watching = bool(self._open)
            return self._watching

    def _answers(self) -> bool:
        """Whether the server says anything to a newcomer; that it has no room is an answer too."""
        import psycopg

        try:
            psycopg.connect(*self._arguments, **self._parameters).close()
        except psycopg.errors.ConnectionTimeout:
            return False
        except psycopg.Error:
            return True  # refused, full, starting: open connections hear of that themselves
        return True

    def _cut(self) -> None:
        with self._lock:
            mine = list(self._open.values())
        log.warning("PostgreSQL does not answer; its connections are given up", connections=len(mine))
        for connection in mine:
            with contextlib.suppress(Exception):  # closed meanwhile
                _hang_up(connection)


def _hang_up(connection: psycopg.Connection[Any]) -> None:
    """End the connection under whoever waits on it in another thread."""
    with socket.socket(fileno=os.dup(connection.fileno())) as wire:
        wire.shutdown(socket.SHUT_RDWR)
