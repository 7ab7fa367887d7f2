"""A receiver with its queue, as the tests use it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource
from hissmark.ingest.health import Health
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.receiver import Receiver
from hissmark.ingest.settings import MqttSettings
from support.broker import Broker
from support.patience import PATIENCE_S


def wall_us() -> int:
    return time.time_ns() // 1000


def until(condition: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait for a condition; fail with what was waited for."""
    deadline = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline, f"waited {patience_s} s for: {what}"
        time.sleep(0.01)


class Site:
    """Receiver and queue together; a context manager that stops them."""

    def __init__(
        self,
        broker: Broker,
        *,
        client_id: str = "site",
        filters: Iterable[str] = ("t/#",),
        queue: MessageQueue | None = None,
        previous: Iterable[str] = (),
        qos: int = 1,
        **settings: object,
    ) -> None:
        sources = tuple(MqttSource(f, qos=qos) for f in filters)
        self.queue = queue or MessageQueue()
        options = {"host": broker.host, "port": broker.port, **settings}
        self.settings = MqttSettings(client_id=client_id, sources=sources, **options)  # type: ignore[arg-type]
        self.receiver = Receiver(self.settings, self.queue, wall_us, previous)

    @property
    def health(self) -> Health:
        return self.receiver.health()

    def __enter__(self) -> Site:
        self.receiver.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.receiver.stop()

    def connected(self) -> Site:
        """Wait until the connection stands and the subscriptions are answered."""
        until(lambda: self.health.subscribed, f"a connection ({self.health.last_error})")
        return self

    def take(self, count: int, patience_s: float = PATIENCE_S) -> list[Message]:
        """Wait for this many messages."""
        taken: list[Message] = []
        deadline = time.monotonic() + patience_s
        while len(taken) < count and time.monotonic() < deadline:
            taken += self.queue.get_batch(count - len(taken), 0.2)
        assert len(taken) == count, f"{len(taken)} of {count} messages came"
        return taken

    def nothing_more(self, wait_s: float = 0.5) -> None:
        """Check that no message comes."""
        assert self.queue.get_batch(10, wait_s) == []


def secret(folder: Path, text: str) -> Path:
    """A password file."""
    file = folder / "password"
    file.write_text(text + "\n")
    return file
