"""What the worker tells pages and metrics of each round."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from hissmark.daemon.record import newest_of_each_group
from hissmark.daemon.work import Parts, Work
from hissmark.decode.columns import Flag
from hissmark.decode.message import Message
from hissmark.engine.readings import Tick

PUSH_S = 0.5
"""Pages are told at most this often while a backlog is worked off."""


class Showing:
    """Keeps what pages have not been told yet."""

    def __init__(self) -> None:
        self._ticks: list[Tick] = []
        self._due_s = 0.0

    def add(self, ticks: Sequence[Tick]) -> None:
        self._ticks += ticks

    def push(self, parts: Parts, *, force: bool = False) -> None:
        """Tell pages and metrics what is new."""
        now_s = time.monotonic()
        live, queue = parts.live, parts.queue
        live.report(queue_messages=queue.depth, queue_bytes=queue.size_bytes)
        if not self._ticks and not force:
            live.alarms(parts.engine.alarms())
            return
        if now_s < self._due_s and not force:
            return
        for tick in newest_of_each_group(self._ticks):
            live.tick(tick)
        self._ticks = []
        live.alarms(parts.engine.alarms())
        self._due_s = now_s + PUSH_S


def count(parts: Parts, messages: list[Message], work: Work) -> None:
    """Count what came in, and what of it was not judged and why."""
    metrics, now_us = parts.metrics, parts.clock.now_us()
    metrics.messages.inc(len(messages))
    metrics.ingest_lag_s.observe(max(0.0, (now_us - messages[0].received_us) / 1e6))
    parts.live.report(last_message_us=messages[-1].received_us)
    for reject in work.decoded.rejects if work.decoded else ():
        metrics.rejects.labels(reject.reason.value).inc(reject.count)
    flags = work.batch.flags
    for flag, name in ((Flag.LATE, "late"), (Flag.AHEAD, "ahead"), (Flag.RETAINED, "retained")):
        number = int(np.count_nonzero(flags & int(flag)))
        if number:
            metrics.not_judged.labels(name).inc(number)


def ask_births(parts: Parts) -> None:
    """Sparkplug data whose birth was missed cannot be understood: ask its sender for it."""
    if parts.ask_rebirth is None:
        return
    born, unborn = parts.decoder.edge_nodes()
    parts.metrics.edge_nodes.labels("born").set(born)
    parts.metrics.edge_nodes.labels("not born").set(unborn)
    nodes = parts.decoder.rebirths(parts.clock.now_us())
    if nodes:
        parts.metrics.rebirths.inc(len(nodes))
        parts.ask_rebirth(nodes)
