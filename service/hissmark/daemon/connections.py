"""Bounds on connections of the web server: how many from one address, and how long each may take over what.

The server by itself waits for ever for a request that never ends and for a reader that does not read. Either
holds a place that others need.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much one caller may take.

    Attributes:
        headers_s: from the connection, or the first byte of a further request, to the end of its headers.
        stalled_s: how long a caller may leave an answer unread.
        from_one: connections from one address at a time; 0 for any number, where a proxy stands in front.
    """

    headers_s: float = 10.0
    stalled_s: float = 60.0
    from_one: int = 128


def bounded(bounds: Bounds) -> type[H11Protocol]:
    """The protocol for one server, with a count of its own."""
    return cast("type[H11Protocol]", type("Bounded", (_Bounded,), {"bounds": bounds, "callers": Counter()}))


class _Deadline:
    """Something that is done unless it is called off in time."""

    def __init__(self, loop: asyncio.AbstractEventLoop, after_s: float, act: Callable[[], object]) -> None:
        self._loop, self._after_s, self._act = loop, after_s, act
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin to wait; nothing if it is waited for already."""
        if self._timer is None:
            self._timer = self._loop.call_later(self._after_s, self._act)

    def stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class _Bounded(H11Protocol):
    bounds: Bounds
    callers: Counter[str]

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._headers = _Deadline(self.loop, self.bounds.headers_s, transport.abort)
        self._reading = _Deadline(self.loop, self.bounds.stalled_s, transport.abort)
        self._caller = str((transport.get_extra_info("peername") or ("",))[0])
        self.callers[self._caller] += 1
        if 0 < self.bounds.from_one < self.callers[self._caller]:
            transport.abort()
        else:
            self._headers.start()

    def connection_lost(self, exc: Exception | None) -> None:
        self.callers[self._caller] -= 1
        if not self.callers[self._caller]:
            del self.callers[self._caller]
        self._headers.stop()
        self._reading.stop()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is h11.IDLE:
            self._headers.start()
        else:  # all of the headers are there
            self._headers.stop()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._reading.start()

    def resume_writing(self) -> None:
        self._reading.stop()
        super().resume_writing()
