"""Webhooks: one HTTP POST a message, signed with a shared key.

The signature is HMAC-SHA256 (RFC 2104) over ``TIMESTAMP.BODY``, as hexadecimal digits, in
``Hissmark-Signature: v1=...``; the timestamp (seconds since 1970) is in ``Hissmark-Timestamp``, so that an
old message cannot be played again. ``Idempotency-Key`` is the same for every attempt.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from hissmark.notify.channel import secret_of
from hissmark.notify.http import Target, post
from hissmark.notify.message import Message


def signature(secret: bytes, timestamp: str, body: bytes) -> str:
    """What `Hissmark-Signature` holds."""
    return "v1=" + hmac.new(secret, timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


@dataclass
class Webhook:
    """A receiver that takes HTTP POSTs. `wall_s` is the clock of the timestamp."""

    target: Target
    secret_file: Path | None
    wall_s: Callable[[], float]
    at_once: int = 1

    def send(self, messages: Sequence[Message]) -> None:
        for message in messages:
            self.post(msgspec.json.encode(message.as_json()), message.key)

    def post(self, body: bytes, key: str) -> None:
        """Send one body; `key` is the same for every attempt. Raises UnreachableError or RefusedError."""
        headers = {"Idempotency-Key": key}
        if self.secret_file is not None:
            stamp = str(int(self.wall_s()))
            headers["Hissmark-Timestamp"] = stamp
            headers["Hissmark-Signature"] = signature(secret_of(self.secret_file), stamp, body)
        post(self.target, body, headers)

    def idle(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing is held."""
