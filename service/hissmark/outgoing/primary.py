"""The host application that our data is for: whether it is online, by its STATE (Sparkplug 3.0, 4 and 5)."""

from __future__ import annotations

import json

from hissmark.decode.sparkplug_payload import NAMESPACE, STATE


class PrimaryHost:
    """Follows one host's STATE. Older news than the newest is not believed.

    Attributes:
        online: what it last said; False before it has said anything.
    """

    def __init__(self, name: str) -> None:
        self.topic = f"{NAMESPACE}/{STATE}/{name}"
        self.online = False
        self._newest_ms = -1

    def forget(self) -> None:
        """A new connection: the broker tells the retained STATE once more."""
        self.online = False

    def heard(self, payload: bytes) -> None:
        """A STATE message; what is none is passed over."""
        try:
            said = json.loads(payload)
            online, at_ms = said["online"], said["timestamp"]
        except (ValueError, TypeError, KeyError):
            return
        if not isinstance(online, bool) or not isinstance(at_ms, int) or at_ms < self._newest_ms:
            return
        self.online, self._newest_ms = online, at_ms
