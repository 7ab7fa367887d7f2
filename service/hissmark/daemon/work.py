"""What the worker works with, what one round of it puts on record, and how it is told to stop."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.clock import Clock
from hissmark.daemon.questions import Questions
from hissmark.daemon.takeover import Takeover
from hissmark.decode.columns import Batch, Decoded
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.sparkplug_nodes import NodeKey
from hissmark.engine.change import Change
from hissmark.engine.engine import Engine
from hissmark.engine.readings import Tick
from hissmark.ingest.queue import MessageQueue
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.store.reader import Reader
from hissmark.store.records import Reading
from hissmark.store.writer import Writer


@dataclass(frozen=True, slots=True)
class Parts:
    """What the worker works with."""

    engine: Engine
    decoder: Decoder
    queue: MessageQueue
    writer: Writer
    reader: Reader
    live: LiveState
    metrics: Metrics
    clock: Clock
    ack: Callable[[Sequence[Message]], None]
    reading_json: Callable[[Tick], list[Reading]]
    takeover: Takeover
    ask_rebirth: Callable[[Sequence[NodeKey]], None] | None = None
    """Asks Sparkplug edge nodes for their births; None if there are no such sources."""
    questions: Questions = field(default_factory=Questions)


@dataclass
class Work:
    """What one round has to put on record."""

    batch: Batch = field(default_factory=Batch.empty)
    decoded: Decoded | None = None
    ticks: list[Tick] = field(default_factory=list)
    entries: list[JournalEntry] = field(default_factory=list)
    outcomes: list[tuple[int, int | None, str]] = field(default_factory=list)
    found: list[Change] = field(default_factory=list)

    def __bool__(self) -> bool:
        decoded = self.decoded
        turned_away = bool(decoded and (decoded.rejects or decoded.unknown))
        return bool(
            len(self.batch) or turned_away or self.ticks or self.entries or self.outcomes or self.found
        )


class StoppedError(Exception):
    """Told to stop before the state was recovered; what is stored stays as it is."""


class Stopping:
    """Whether the worker shall stop.

    Attributes:
        asked: set without a lock, so that a signal handler may do it.
    """

    def __init__(self) -> None:
        self.asked = False
        self._told = threading.Event()

    def tell(self) -> None:
        """Stop after the round in hand."""
        self._told.set()

    def __bool__(self) -> bool:
        return self.asked or self._told.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait, but not for somebody who is to stop; whether that is so."""
        return self._told.wait(seconds) or self.asked
