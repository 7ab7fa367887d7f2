"""How the receiver is doing: a snapshot for metrics and pages, and the counters behind it."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace


@dataclass(frozen=True, slots=True)
class Health:
    """A snapshot.

    Attributes:
        connected: the broker has accepted us and the connection stands.
        subscribed: on this connection the broker has answered for the filters (see `refused`).
        thread_alive: the thread that serves the connection runs.
        last_message_us: when a message last came, microseconds since 1970 UTC; None: not since the start.
        refused: filter -> why the broker did not grant it (as asked).
        reconnects: connections after the first. restarts: times the thread had to be started again.
        session_losses: connections at which the broker had forgotten the session, and what it held for us.
        paused: not reading because the queue is full. pauses: how often that began.
        messages, payload_bytes: received since the start.
        acks_dropped: acknowledgements of an older connection; the broker delivers those messages again.
        last_error: the latest trouble in words; stays after it is over.
    """

    connected: bool = False
    subscribed: bool = False
    thread_alive: bool = False
    last_message_us: int | None = None
    refused: dict[str, str] = field(default_factory=dict)
    reconnects: int = 0
    restarts: int = 0
    session_losses: int = 0
    paused: bool = False
    pauses: int = 0
    messages: int = 0
    payload_bytes: int = 0
    acks_dropped: int = 0
    last_error: str | None = None


class Gauge:
    """Keeps the latest `Health`; any thread may look, the receiver's threads change it."""

    def __init__(self) -> None:
        self._health = Health()
        self._lock = threading.Lock()

    def now(self) -> Health:
        """The latest snapshot."""
        return self._health

    def set(self, **changes: object) -> None:
        """Replace fields."""
        with self._lock:
            self._health = replace(self._health, **changes)  # type: ignore[arg-type]

    def count(self, **more: int) -> None:
        """Add to counters."""
        with self._lock:
            changes = {name: getattr(self._health, name) + by for name, by in more.items()}
            self._health = replace(self._health, **changes)
