"""Events for many listening pages: pushed from any thread, read in the event loop, bounded everywhere.

The newest events are kept in a ring, so that a page that lost its connection for a moment goes on where it
stopped. A page that is too slow, or away too long, is told to fetch everything anew (`resync`); it never
makes the service hold more for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import deque
from dataclasses import dataclass
from uuid import uuid4

RING_EVENTS = 2000
RING_BYTES = 32_000_000
QUEUE_EVENTS = 500


@dataclass(frozen=True, slots=True)
class Event:
    """One event. `number` counts from 1 in this run of the service; `data` is JSON; `wire` is how it travels
    (fields of the HTML standard, section 9.2.6), written once for all pages.
    """

    number: int
    kind: str
    data: bytes
    wire: bytes = b""


RESYNC = "resync"


def event_id(epoch: str, number: int) -> str:
    """An event's id: the run of the service, and its number in it."""
    return f"{epoch}-{number}"


def made(epoch: str, number: int, kind: str, data: bytes) -> Event:
    """An event, written out."""
    head = f"id: {event_id(epoch, number)}\nevent: {kind}\ndata: ".encode()
    return Event(number, kind, data, head + data + b"\n\n")


class Subscriber:
    """One page. Only its own event loop touches the queue; `offer` may be called from any thread."""

    def __init__(self, loop: asyncio.AbstractEventLoop, limit: int, epoch: str) -> None:
        self._loop = loop
        self._epoch = epoch
        self._limit = limit
        self._waiting: deque[Event] = deque()
        self._lost = False
        self._wake = asyncio.Event()
        self.ended = False

    def offer(self, event: Event) -> None:
        # A loop that has closed in the meantime takes its page with it.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._put, event)

    def end(self) -> None:
        """Let the stream end; its page will connect again."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._end)

    def _end(self) -> None:
        self.ended = True
        self._wake.set()

    def _put(self, event: Event) -> None:
        if len(self._waiting) >= self._limit:
            self._waiting.clear()
            self._lost = True
        self._waiting.append(event)
        self._wake.set()

    async def next(self, timeout_s: float) -> list[Event]:
        """Everything that waits; an empty list after `timeout_s` without an event."""
        if not self._waiting:
            self._wake.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), timeout_s)
        events = list(self._waiting)
        self._waiting.clear()
        if self._lost:
            self._lost = False
            return [made(self._epoch, events[-1].number if events else 0, RESYNC, b"{}")]
        return events


class Broadcaster:
    """Numbers events, keeps the newest, hands each to every subscriber.

    Attributes:
        epoch: tells the numbers of this run of the service from those of the last.
    """

    def __init__(
        self, ring: int = RING_EVENTS, queue: int = QUEUE_EVENTS, ring_bytes: int = RING_BYTES
    ) -> None:
        self.epoch = uuid4().hex[:8]
        self._lock = threading.Lock()
        self._ring: deque[Event] = deque(maxlen=ring)
        self._ring_bytes, self._most_bytes = 0, ring_bytes
        self._subscribers: set[Subscriber] = set()
        self._queue = queue
        self._number = 0
        self.dropped = 0

    @property
    def number(self) -> int:
        """Number of the newest event, 0 before the first."""
        with self._lock:
            return self._number

    @property
    def clients(self) -> int:
        with self._lock:
            return len(self._subscribers)

    def send(self, kind: str, data: bytes) -> None:
        """Tell every page; `data` is JSON."""
        with self._lock:
            self._number += 1
            event = made(self.epoch, self._number, kind, data)
            self._keep(event)
            subscribers = list(self._subscribers)
        for subscriber in subscribers:
            subscriber.offer(event)

    def _keep(self, event: Event) -> None:
        """Into the ring, whose oldest go where it grows too long or too heavy (lock held)."""
        if len(self._ring) == self._ring.maxlen:
            self._ring_bytes -= len(self._ring.popleft().wire)
        self._ring.append(event)
        self._ring_bytes += len(event.wire)
        while self._ring_bytes > self._most_bytes and len(self._ring) > 1:
            self._ring_bytes -= len(self._ring.popleft().wire)

    def subscribe(self, after: int | None) -> tuple[Subscriber, list[Event]]:
        """A subscriber, and what it missed since event `after` (None: nothing; a page that starts anew)."""
        subscriber = Subscriber(asyncio.get_running_loop(), self._queue, self.epoch)
        with self._lock:
            missed = self._missed(after)
            self._subscribers.add(subscriber)
        return subscriber, missed

    def unsubscribe(self, subscriber: Subscriber) -> None:
        with self._lock:
            self._subscribers.discard(subscriber)

    def end_streams(self) -> None:
        """Let every stream end, so that the web server can stop without waiting for its pages."""
        with self._lock:
            subscribers = list(self._subscribers)
        for subscriber in subscribers:
            subscriber.end()

    def _missed(self, after: int | None) -> list[Event]:
        if after is None or after == self._number:
            return []
        oldest = self._ring[0].number if self._ring else self._number + 1
        if after > self._number or after + 1 < oldest:
            return [made(self.epoch, self._number, RESYNC, b"{}")]
        return [event for event in self._ring if event.number > after]
