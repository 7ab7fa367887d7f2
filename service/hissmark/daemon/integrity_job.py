"""Once a day: is what is stored still whole."""

from __future__ import annotations

import sqlalchemy as sa
import structlog

from hissmark.daemon.clock import Clock
from hissmark.publish.metrics import Metrics
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.archive.place import Place
from hissmark.store.soundness import damage, damaged_files, journal_gaps

log = structlog.get_logger("hissmark.daemon")


class IntegrityJob:
    """Reads on a connection of its own; nothing is mended here, it is told."""

    def __init__(self, store: sa.Engine, place: Place | None, clock: Clock, metrics: Metrics) -> None:
        self._store, self._place, self._clock, self._metrics = store, place, clock, metrics

    def __call__(self) -> None:
        now_us = self._clock.now_us()
        found = self._found(now_us // DAY_US)
        self._metrics.damaged.set(len(found))
        self._metrics.checked_at.set(now_us / 1e6)
        for what in found:
            log.error("what is stored is damaged; see the manual, Operations", what=what)
        if not found:
            log.info("what is stored is whole")

    def _found(self, day: int) -> list[str]:
        _, gaps = journal_gaps(self._store)
        found = [*damage(self._store), *([f"the alarm journal has gaps: {gaps}"] if gaps else [])]
        if self._place is not None:
            found += damaged_files(self._store, self._place, day)
        return found
