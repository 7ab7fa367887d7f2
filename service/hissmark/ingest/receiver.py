"""Receives from an MQTT broker into a queue; acknowledges when told that the messages are stored."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterable, Sequence

import structlog

from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.ingest.connection import Connection, Shared
from hissmark.ingest.health import Gauge, Health
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.settings import MqttSettings

log = structlog.get_logger("hissmark.ingest")

FIRST_DELAY_S = 0.5
LONGEST_DELAY_S = 30.0
STEADY_S = 10.0
"""A connection that stood this long was a good one: the next attempt follows quickly."""
WATCH_S = 1.0


class Backoff:
    """Growing, jittered delays between attempts, so that many clients do not return all at once."""

    def __init__(self, rng: random.Random | None = None) -> None:
        self._rng = rng or random.Random()  # noqa: S311 - not for secrets
        self._failures = 0

    def delay_s(self, stood_s: float) -> float:
        """Seconds to wait after a connection that stood this long (0: it never did)."""
        self._failures = 0 if stood_s >= STEADY_S else self._failures + 1
        ceiling_s = min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0 ** min(self._failures, 10))
        return ceiling_s * self._rng.uniform(0.5, 1.0)


class Receiver:
    """Keeps a connection to the broker and fills the queue; survives the loss of broker, network and thread.

    Usage: `start()`; take batches from the queue; store them; `ack(messages)`; at the end `stop()`.

    Args:
        settings: broker and subscriptions.
        queue: where messages go. While it is full nothing is read and the broker holds what is left.
        now_us: the service's clock, for times of receipt.
        previous_filters: filters subscribed to by an earlier run; those no longer in the settings are
            unsubscribed, because the session would go on delivering them.
        limits: payloads beyond `max_payload_bytes` are cut off while they arrive.
        expects_session: the broker holds a session for us from an earlier run; that it does not is told.
    """

    def __init__(
        self,
        settings: MqttSettings,
        queue: MessageQueue,
        now_us: Callable[[], int],
        previous_filters: Iterable[str] = (),
        limits: Limits | None = None,
        *,
        expects_session: bool = False,
    ) -> None:
        self._settings = settings
        self._gauge = Gauge()
        keep_bytes = (limits or Limits()).max_payload_bytes
        self._shared = Shared(queue, self._gauge, now_us, keep_bytes)
        self._shared.had_session = expects_session
        self._shared.removed = tuple(f for f in previous_filters if f not in settings.filters)
        queue.on_room = self._shared.wake
        self._stop = threading.Event()
        self._generation = 0
        self._worker: threading.Thread | None = None
        self._watcher = threading.Thread(target=self._watch, name="mqtt-watch", daemon=True)

    def start(self) -> None:
        """Begin to connect, in threads of its own. Returns at once; see `health` for how it goes."""
        self._start_worker()
        self._watcher.start()

    def stop(self, timeout_s: float = 8.0) -> None:
        """Send pending acknowledgements, disconnect (the session stays at the broker) and end the threads."""
        self._shared.stopping = True
        self._stop.set()
        self._shared.wake()
        deadline_s = time.monotonic() + timeout_s
        for thread in (self._worker, self._watcher):
            if thread is not None and thread.is_alive():
                thread.join(max(0.0, deadline_s - time.monotonic()))
        if self._worker is None or not self._worker.is_alive():
            self._shared.close()

    def ack(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages that are stored. Call in order of receipt, from one thread; returns at once.

        Messages of a connection that has ended are left out: the broker delivers them again.
        """
        tokens = [message.token for message in messages if message.token]
        if tokens:
            self._shared.acks.append(tokens)
            self._shared.wake()

    def health(self) -> Health:
        """How it goes, for metrics and pages."""
        return self._gauge.now()

    def _start_worker(self) -> None:
        self._worker = threading.Thread(target=self._work, name="mqtt", daemon=True)
        self._worker.start()
        self._gauge.set(thread_alive=True)

    def _watch(self) -> None:
        """Start the worker again should it ever die."""
        while not self._stop.wait(WATCH_S):
            if self._worker is not None and not self._worker.is_alive():
                log.error("receiver thread died; starting it again")
                self._gauge.count(restarts=1)
                self._start_worker()

    def _work(self) -> None:
        backoff = Backoff()
        try:
            while not self._stop.is_set():
                self._wait(backoff.delay_s(self._connect_and_serve()))
        finally:
            self._gauge.set(thread_alive=False, connected=False, subscribed=False)

    def _connect_and_serve(self) -> float:
        """One connection. Returns how long it stood, seconds."""
        self._generation += 1
        connection = Connection(self._settings, self._generation, self._shared)
        began_s = time.monotonic()
        trouble = connection.run()
        if trouble is not None:
            self._gauge.set(last_error=trouble)
            log.warning("no connection to the broker", reason=trouble)
        return time.monotonic() - began_s if connection.was_up else 0.0

    def _wait(self, delay_s: float) -> None:
        self._stop.wait(delay_s)
