"""The engine's state, saved now and then with the history up to it, in one transaction."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

import structlog

from hissmark.daemon.clock import offset_us
from hissmark.daemon.filling import Filling, checkpoint_if_due
from hissmark.daemon.record import newest_of_each_group
from hissmark.daemon.takeover import Taken
from hissmark.daemon.work import Parts
from hissmark.engine.readings import Tick
from hissmark.publish.pulse import STORING
from hissmark.store.errors import StoreError
from hissmark.store.records import CLOCK_OFFSET
from hissmark.store.ticked import blocks_of
from hissmark.store.writer import Transaction

log = structlog.get_logger("hissmark.daemon")

SAVE_S = 30.0
SETTLE_S = 5.0
SAVE_TICKS = 240
SAVE_SAMPLES = 3_000_000
SAVE_SHARE = 20.0
"""State is saved so rarely that it costs at most one part in this many."""


class Saving:
    """Keeps what was judged since the state was last saved, and knows when to save it."""

    def __init__(self, newest_checkpoint_us: int | None) -> None:
        self._ticks: list[Tick] = []
        self._samples = 0
        self._wanted_s = math.inf
        self._due_s = 0.0
        self._told_offset_us: int | None = None
        self._checkpoint_us = newest_checkpoint_us

    def put_off(self) -> None:
        """Catching up begins, which is quicker than saving between."""
        self._due_s = time.monotonic() + SAVE_S

    def due(self) -> None:
        """Save soon, whatever there is: first people and messages get what they have waited for."""
        self._wanted_s = time.monotonic() + SETTLE_S

    def add(self, parts: Parts, ticks: Sequence[Tick], samples: int) -> None:
        """What has just been committed."""
        self._ticks += ticks
        self._samples += samples
        parts.live.unsaved.add(ticks)

    def save_if_due(self, parts: Parts) -> None:
        much = len(self._ticks) >= SAVE_TICKS or self._samples >= SAVE_SAMPLES
        news = bool(self._ticks or self._samples)
        now_s = time.monotonic()
        if now_s >= self._wanted_s or (news and (much or now_s >= self._due_s)):
            self.save(parts)

    def save(self, parts: Parts, taken: Taken | None = None) -> bool:
        """Save the state with the history up to it; whether that succeeded.

        `taken`: a register under which the state is to be saved and to go on.
        """
        began_s, now_us = time.monotonic(), parts.clock.now_us()
        state = (taken.engine if taken else parts.engine).snapshot()
        ids = None
        try:
            with parts.live.pulse.during(STORING), parts.writer.transaction() as tx:
                self._write(tx, parts, state)
                kept = checkpoint_if_due(tx, parts.engine, self._checkpoint_us, now_us)
                if taken:
                    ids = taken.record(tx)
        except StoreError as error:
            if not error.retry:
                raise
            log.warning("cannot save the state yet", reason=str(error))
            return False
        if ids is not None:
            parts.writer.adopt(ids)
        self._checkpoint_us = now_us if kept else self._checkpoint_us
        self._saved(parts, began_s)
        return True

    def end_filling(self, parts: Parts, filling: Filling) -> None:
        """Save the state that a group came to when it was judged again."""
        began_s = time.monotonic()
        filling.end(parts.engine, parts.writer, lambda tx: self._write(tx, parts, parts.engine.snapshot()))
        self._saved(parts, began_s)

    def _write(self, tx: Transaction, parts: Parts, state: bytes) -> None:
        ahead_us = offset_us(parts.clock)
        tx.ticks(blocks_of(self._ticks, parts.engine.layout))
        newest = newest_of_each_group(self._ticks)
        tx.readings([row for tick in newest for row in parts.reading_json(tick)])
        tx.engine_state(state)
        if ahead_us != self._told_offset_us:
            tx.meta(CLOCK_OFFSET, str(ahead_us))

    def _saved(self, parts: Parts, began_s: float) -> None:
        self._ticks, self._samples, self._wanted_s = [], 0, math.inf
        parts.live.unsaved.clear()
        self._told_offset_us = offset_us(parts.clock)
        took_s = time.monotonic() - began_s
        self._due_s = time.monotonic() + max(SAVE_S, SAVE_SHARE * took_s)
