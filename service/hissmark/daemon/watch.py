"""Every second: how receiver, worker and broker are doing, for health, metrics and pages."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hissmark.ingest.health import Health
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.receiver import Receiver
from hissmark.ingest.sparkplug_host import SparkplugHost
from hissmark.outgoing.publisher import Publisher
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics


class Watch:
    """Looks at what takes messages in, and reports it.

    Args:
        broker: its address, for people. worker_alive: whether the worker's thread runs.
    """

    def __init__(
        self, broker: str, receiver: Receiver, sparkplug: SparkplugHost | None, queue: MessageQueue,
        worker_alive: Callable[[], bool], live: LiveState, metrics: Metrics, outgoing: Sequence[Publisher],
    ) -> None:  # fmt: skip
        self._broker, self._receiver, self._sparkplug = broker, receiver, sparkplug
        self._queue, self._worker_alive = queue, worker_alive
        self._live, self._metrics, self._outgoing = live, metrics, outgoing
        self._seen = Health()

    def look(self) -> None:
        before, self._seen = self._seen, self._receiver.health()
        now = self._seen
        self._metrics.receiver(before, now)
        self._live.pacer.look(self._queue.depth)
        for publisher in self._outgoing:
            self._metrics.publishing.labels(publisher.way).set(publisher.connected)
        self._live.report(
            connected=now.connected, subscribed=now.subscribed, broker=self._broker,
            session_losses=now.session_losses, filters_refused=len(now.refused),
            worker_alive=self._worker_alive(), queue_messages=self._queue.depth,
            queue_bytes=self._queue.size_bytes, paused=now.paused,
            broker_trouble=broker_trouble(now) or self._sparkplug_trouble(),
        )  # fmt: skip

    def _sparkplug_trouble(self) -> str:
        return "" if self._sparkplug is None else broker_trouble(self._sparkplug.health())


def broker_trouble(health: Health) -> str:
    """What is wrong between broker and service, in words; empty if nothing is."""
    if not health.connected:
        return health.last_error or ""
    if health.refused:
        return "the broker refused " + "; ".join(f"{f}: {why}" for f, why in health.refused.items())
    return "" if health.subscribed else "the broker has not answered for the subscriptions yet"
