"""The bounded queue between the network and the writer."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence

from hissmark.decode.message import Message

OVERHEAD_BYTES = 250
"""About what a message takes in memory beside its payload and a topic that is not shared with others."""

QUIET_S = 0.003
"""While a batch fills up, this long without a further message ends the wait."""

BATCH_BYTES = 4 << 20
"""Bound of one batch: some ten thousand small messages, or a couple of thousand packs of sixty."""


def _size(messages: Sequence[Message]) -> int:
    """Bytes. Topics count even where several messages share one: a stranger may send a new one each time."""
    bytes_of_each = [len(message.payload) + len(message.topic) for message in messages]
    return sum(bytes_of_each) + OVERHEAD_BYTES * len(messages)


class MessageQueue:
    """Messages in order of receipt, bounded by number and by bytes.

    The network thread looks at `has_room` before it reads from its socket and never blocks here, so that it
    goes on answering its broker while the queue is full; what is not read waits in the broker. One read may
    overshoot the bounds.
    """

    def __init__(self, max_messages: int = 50_000, max_bytes: int = 64 << 20) -> None:
        self.max_messages = max_messages
        self.max_bytes = max_bytes
        self.on_room: Callable[[], None] | None = None
        """Called (by the consumer's thread) when a full queue has room again."""
        self._chunks: deque[list[Message]] = deque()
        self._messages = 0
        self._bytes = 0
        self._closed = False
        self._changed = threading.Condition()

    @property
    def depth(self) -> int:
        """Messages waiting."""
        return self._messages

    @property
    def size_bytes(self) -> int:
        """About how much memory they take."""
        return self._bytes

    def has_room(self) -> bool:
        """Whether more may be offered."""
        return self._messages < self.max_messages and self._bytes < self.max_bytes

    def offer(self, messages: list[Message]) -> None:
        """Append messages. Never blocks, never refuses: ask `has_room` first."""
        if not messages:
            return
        size = _size(messages)
        with self._changed:
            self._chunks.append(messages)
            self._messages += len(messages)
            self._bytes += size
            self._changed.notify()

    def get_batch(self, max_messages: int, max_wait_s: float, linger_s: float = 0.02) -> list[Message]:
        """The oldest messages; empty if none came within `max_wait_s`, or the queue is closed and empty.

        Once there is one, waits up to `linger_s` for the batch to fill while more keep coming: fewer, larger
        commits. A pause ends the wait, so that a broker that holds back for want of acks is not kept waiting.
        A batch ends at `max_messages` or `BATCH_BYTES`, so that one transaction stays short.
        """
        with self._changed:
            if not self._messages and not self._closed:
                self._changed.wait_for(lambda: self._messages or self._closed, max_wait_s)
            self._linger(max_messages, linger_s)
            was_full = not self.has_room()
            batch = self._take(max_messages)
            woken = self.on_room if was_full and self.has_room() else None
        if woken is not None:
            woken()
        return batch

    def _linger(self, max_messages: int, linger_s: float) -> None:
        deadline = time.monotonic() + linger_s
        while 0 < self._messages < max_messages and self._bytes < BATCH_BYTES and not self._closed:
            before, left_s = self._messages, deadline - time.monotonic()
            if left_s <= 0:
                return
            self._changed.wait(min(left_s, QUIET_S))
            if self._messages == before:
                return

    def _take(self, max_messages: int) -> list[Message]:
        """Whole chunks (one is what one read brought), so at most one chunk beyond `BATCH_BYTES`."""
        batch: list[Message] = []
        size = 0
        while self._chunks and len(batch) < max_messages and size < BATCH_BYTES:
            chunk = self._chunks.popleft()
            wanted = max_messages - len(batch)
            if len(chunk) > wanted:
                self._chunks.appendleft(chunk[wanted:])
                chunk = chunk[:wanted]
            batch += chunk
            size += _size(chunk)
        self._messages -= len(batch)
        self._bytes -= size
        return batch

    def close(self) -> None:
        """Wake the consumer: `get_batch` now returns what is left and then nothing, without waiting."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def closed(self) -> bool:
        """Whether `close` was called."""
        return self._closed
