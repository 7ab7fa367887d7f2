"""One message as it came from a broker, before anything is known about its payload."""

from __future__ import annotations

import msgspec


class Message(msgspec.Struct, frozen=True, gc=False):
    """A received message.

    Attributes:
        topic: MQTT topic.
        payload: its bytes; only their head if `truncated_from` is set.
        received_us: time of receipt, microseconds since 1970 UTC.
        retained: the broker kept it and sent it on subscribing.
        token: what `Receiver.ack` needs to acknowledge it; 0: nothing to acknowledge (QoS 0, files, tests).
        truncated_from: full size in bytes of a payload too large to be kept; 0: `payload` is complete.
    """

    topic: str
    payload: bytes
    received_us: int
    retained: bool = False
    token: int = 0
    truncated_from: int = 0

    @property
    def size(self) -> int:
        """Size of the payload as it was sent, bytes."""
        return self.truncated_from or len(self.payload)
