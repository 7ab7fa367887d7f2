"""MQTT packets out of a byte stream, PUBLISH straight to messages (MQTT 3.1.1 and 5.0, 2.1 and 3.3)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.decode.message import Message

PUBLISH, PUBACK, PUBREC = 0x30, 0x40, 0x50
KIND = 0xF0

MAX_CACHED_TOPICS = 100_000
MAX_CACHED_TOPIC_BYTES = 512
"""Longer ones are read anew each time, so that strange topics do not fill the memory."""

# A PUBLISH head: topic (2 + 65,535 bytes), packet id, and properties of a size that is reasonable.
HEAD_BYTES = 70_000


class MalformedError(Exception):
    """The stream is no MQTT; the connection must be closed."""


def token_of(generation: int, qos: int, packet_id: int) -> int:
    """What acknowledges one message on one connection; 0 if nothing does."""
    return (generation << 18) | (qos << 16) | packet_id if qos else 0


def generations_of(tokens: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Number of the connection that each message came by."""
    return tokens >> 18


def acknowledgements(tokens: npt.NDArray[np.int64]) -> bytes:
    """PUBACK (QoS 1) or PUBREC (QoS 2) of each message, one behind the other (MQTT 5.0, 3.4 and 3.5)."""
    packets = np.empty((len(tokens), 4), np.uint8)
    packets[:, 0] = np.where((tokens >> 16) & 3 == 1, PUBACK, PUBREC)
    packets[:, 1] = 2
    packets[:, 2] = (tokens >> 8) & 0xFF
    packets[:, 3] = tokens & 0xFF
    return packets.tobytes()


class PacketReader:
    """Takes bytes as they come from one connection, gives complete packets.

    Args:
        version5: the connection speaks MQTT 5 (PUBLISH carries properties).
        generation: number of the connection, part of every token.
        keep_bytes: of larger payloads only the head is kept, the rest is dropped as it arrives.
    """

    def __init__(self, *, version5: bool, generation: int, keep_bytes: int) -> None:
        self._version5 = version5
        self._generation = generation
        self._keep_bytes = keep_bytes + HEAD_BYTES
        self._rest = b""
        self._skip = 0
        self._topics: dict[bytes, str] = {}
        self._next_us = 0

    def feed(self, chunk: bytes, received_us: int) -> tuple[list[Message], list[tuple[int, bytes]]]:
        """Messages, and other packets as (first byte, body). Raises MalformedError.

        Many messages come in one read: each is stamped a microsecond after the one before, so that samples
        whose time is the time of receipt do not fall on one another.
        """
        received_us = max(received_us, self._next_us)
        if self._skip:
            dropped = min(self._skip, len(chunk))
            self._skip -= dropped
            chunk = chunk[dropped:]
        data = self._rest + chunk if self._rest else chunk
        messages: list[Message] = []
        control: list[tuple[int, bytes]] = []
        position, end = 0, len(data)
        while end - position >= 2:
            length, body = data[position + 1], position + 2
            if length >= 128:
                length, body = _length(data, position + 1)
                if length < 0:
                    break
            stop = body + length
            if stop > end:
                if length > self._keep_bytes and end - body >= HEAD_BYTES:
                    messages.append(self._head(data, position, body, length, received_us))
                    received_us += 1
                    self._skip, position = stop - end, end
                break
            if data[position] & KIND == PUBLISH:
                messages.append(self._publish(data, data[position], body, stop, received_us))
                received_us += 1
            else:
                control.append((data[position], data[body:stop]))
            position = stop
        self._rest = data[position:]
        self._next_us = received_us
        return messages, control

    def _publish(self, data: bytes, first: int, body: int, stop: int, received_us: int) -> Message:
        topic, token, at = self._publish_head(data, first, body)
        if at > stop:
            raise MalformedError("PUBLISH shorter than its head")
        return Message(topic, data[at:stop], received_us, bool(first & 1), token)

    def _head(self, data: bytes, position: int, body: int, length: int, received_us: int) -> Message:
        """A message of which only what has arrived is kept."""
        first = data[position]
        if first & KIND != PUBLISH:
            raise MalformedError(f"packet type {first >> 4} of {length} bytes")
        topic, token, at = self._publish_head(data, first, body)
        if at > len(data):
            raise MalformedError("PUBLISH head too large")
        return Message(topic, data[at:], received_us, bool(first & 1), token, body + length - at)

    def _publish_head(self, data: bytes, first: int, body: int) -> tuple[str, int, int]:
        """Topic, token and where the payload begins."""
        at = body + 2
        try:
            at += (data[body] << 8) | data[body + 1]
            topic = self._topics.get(data[body + 2 : at])
            if topic is None:
                topic = self._topic(data[body + 2 : at])
            qos, packet_id = (first >> 1) & 3, 0
            if qos:
                packet_id = (data[at] << 8) | data[at + 1]
                at += 2
            if self._version5:
                length, at = _length(data, at) if data[at] >= 128 else (data[at], at + 1)
                at += length
        except IndexError:
            raise MalformedError("PUBLISH shorter than its head") from None
        if qos == 3 or (self._version5 and length < 0):
            raise MalformedError("PUBLISH with impossible flags or properties")
        return topic, token_of(self._generation, qos, packet_id), at

    def _topic(self, raw: bytes) -> str:
        if len(self._topics) >= MAX_CACHED_TOPICS:
            self._topics.clear()
        topic = raw.decode("utf-8", "replace")
        if len(raw) <= MAX_CACHED_TOPIC_BYTES:
            self._topics[raw] = topic
        return topic


def _length(data: bytes, at: int) -> tuple[int, int]:
    """A variable byte integer (MQTT 5.0, 1.5.5) and the position behind it; (-1, at) if incomplete."""
    value = 0
    for i, byte in enumerate(data[at : at + 4]):
        value |= (byte & 127) << (7 * i)
        if byte < 128:
            return value, at + i + 1
    if len(data) - at >= 4:
        raise MalformedError("length of more than four bytes")
    return -1, at
