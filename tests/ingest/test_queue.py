"""The bounded queue between network and writer."""

from __future__ import annotations

import threading
import time

import pytest

from hissmark.decode.message import Message
from hissmark.ingest import queue as module
from hissmark.ingest.queue import MessageQueue


def some(count: int, size: int = 10, start: int = 0) -> list[Message]:
    return [Message(f"t/{start + i}", b"x" * size, 0) for i in range(count)]


def topics(messages: list[Message]) -> list[str]:
    return [message.topic for message in messages]


def test_batches_keep_the_order_and_lose_nothing() -> None:
    queue = MessageQueue()
    for start in range(0, 100, 7):
        queue.offer(some(7, start=start))
    taken: list[str] = []
    while batch := queue.get_batch(10, 0, 0):
        assert len(batch) <= 10
        taken += topics(batch)
    assert taken == [f"t/{i}" for i in range(105)]
    assert (queue.depth, queue.size_bytes) == (0, 0)


def test_it_is_full_by_number_and_by_bytes() -> None:
    queue = MessageQueue(max_messages=10)
    queue.offer(some(9))
    assert queue.has_room()
    queue.offer(some(1))
    assert not queue.has_room()
    queue = MessageQueue(max_bytes=10_000)
    queue.offer(some(1, size=10_000))
    assert not queue.has_room()


def test_taking_from_a_full_queue_rings_once() -> None:
    queue = MessageQueue(max_messages=10)
    rings: list[int] = []
    queue.on_room = lambda: rings.append(queue.depth)
    queue.offer(some(12))
    queue.get_batch(1, 0, 0)
    assert rings == [], "still full"
    queue.get_batch(5, 0, 0)
    queue.get_batch(5, 0, 0)
    assert rings == [6]


def test_a_batch_ends_at_its_bytes() -> None:
    queue = MessageQueue()
    for start in range(20):
        queue.offer(some(1, size=1 << 20, start=start))
    batch = queue.get_batch(1000, 0, 1.0)
    assert module.BATCH_BYTES <= sum(len(m.payload) for m in batch) + 1000 <= module.BATCH_BYTES + (1 << 20)


def test_waiting_ends_after_the_given_time() -> None:
    began = time.monotonic()
    assert MessageQueue().get_batch(10, 0.2) == []
    assert 0.15 < time.monotonic() - began < 1.0


def test_a_lonely_message_does_not_wait_for_company() -> None:
    """The broker may hold back until this very message is acknowledged."""
    queue = MessageQueue()
    queue.offer(some(1))
    began = time.monotonic()
    assert len(queue.get_batch(1000, 5, linger_s=2.0)) == 1
    assert time.monotonic() - began < 0.5


def test_a_batch_fills_while_messages_keep_coming(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "QUIET_S", 1.0)  # the feeder below may be kept waiting on a busy machine
    queue = MessageQueue()
    stop = threading.Event()

    def feed() -> None:
        while not stop.is_set():
            queue.offer(some(10))
            time.sleep(0.0005)

    feeder = threading.Thread(target=feed)
    feeder.start()
    try:
        assert len(queue.get_batch(100, 5, linger_s=5.0)) == 100
    finally:
        stop.set()
        feeder.join()


def test_closing_wakes_the_consumer_and_leaves_what_is_there() -> None:
    queue = MessageQueue()
    threading.Timer(0.1, queue.close).start()
    began = time.monotonic()
    assert queue.get_batch(10, 10) == []
    assert time.monotonic() - began < 5
    queue.offer(some(3))
    assert len(queue.get_batch(10, 10)) == 3
    assert queue.closed
