"""What waits between broker and store stays within its bytes, whatever is sent."""

from __future__ import annotations

from hissmark.decode.message import Message
from hissmark.ingest.packets import MAX_CACHED_TOPIC_BYTES, PacketReader
from hissmark.ingest.queue import MessageQueue


def packet(topic: bytes, payload: bytes) -> bytes:
    """A PUBLISH at QoS 0 (MQTT 3.1.1, 3.3) of less than 2 MB."""
    body = len(topic).to_bytes(2, "big") + topic + payload
    size = len(body)
    return b"\x30" + bytes((size & 127 | 128, (size >> 7) & 127 | 128, size >> 14)) + body


def test_topics_of_strangers_count_like_payloads() -> None:
    queue = MessageQueue(max_messages=1000, max_bytes=1 << 20)
    sent = 0
    while queue.has_room():
        queue.offer([Message("x" * 60_000 + str(sent), b"1", 0)])
        sent += 1
    assert sent == 18, "60 kB each: a megabyte is full"
    while queue.get_batch(5, 0.0):
        pass
    assert queue.size_bytes == 0


def test_long_topics_are_not_kept() -> None:
    reader = PacketReader(version5=False, generation=1, keep_bytes=1 << 20)
    for i in range(50):
        long = b"t" * MAX_CACHED_TOPIC_BYTES + b"%d" % i
        messages, _ = reader.feed(packet(long, b"1" * 20_000) + packet(b"short", b"2" * 20_000), i)
        assert [m.topic for m in messages] == [long.decode(), "short"]
    assert len(reader._topics) == 1
