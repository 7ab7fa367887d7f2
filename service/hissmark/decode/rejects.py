"""Collects what is turned away while a call decodes: one entry for each message and reason."""

from __future__ import annotations

from collections.abc import Sequence

from hissmark.decode.columns import HEAD_BYTES, Reject, RejectReason
from hissmark.decode.message import Message

MAX_DETAIL_CHARS = 200


def printable(text: str) -> str:
    """Text from outside, made safe to store and show: no control characters, no lone surrogates."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def failed(error: Exception) -> str:
    """What an error says that nobody thought of, for the detail of a reject."""
    return f"reading it failed ({type(error).__name__}: {error}); please report it with the payload"


class Turned:
    """Rejects of one call. Bounded: a pack with ten thousand bad records makes one entry per reason."""

    def __init__(self, messages: Sequence[Message]) -> None:
        self._messages = messages
        self._first: dict[tuple[int, RejectReason], str] = {}
        self._count: dict[tuple[int, RejectReason], int] = {}

    def add(self, at: int, reason: RejectReason, detail: str, count: int = 1) -> None:
        """Turn away `count` records of message number `at`."""
        key = (at, reason)
        self._first.setdefault(key, detail)
        self._count[key] = self._count.get(key, 0) + count

    def forget(self, at: int) -> None:
        """What was turned away of message number `at` is void."""
        for key in [key for key in self._first if key[0] == at]:
            del self._first[key], self._count[key]

    def rejects(self) -> list[Reject]:
        """Everything turned away, in order of arrival."""
        return [
            self.one(at, reason, self._first[at, reason], self._count[at, reason])
            for at, reason in sorted(self._first, key=lambda key: key[0])
        ]

    def one(self, at: int, reason: RejectReason, detail: str, count: int) -> Reject:
        """A reject for message number `at`."""
        message = self._messages[at]
        return Reject(
            printable(message.topic),
            message.received_us,
            reason,
            printable(detail[:MAX_DETAIL_CHARS]),
            bytes(message.payload[:HEAD_BYTES]),
            count,
        )
