"""The long history of a running service: days are sealed, and what is older than it is wanted goes."""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa
import structlog

from hissmark.daemon.clock import Clock
from hissmark.engine.layout import Layout
from hissmark.site.load import Site
from hissmark.store import arrivals
from hissmark.store.archive.catalogue import DAY_US, day_of
from hissmark.store.archive.exclusive import alone
from hissmark.store.archive.filing import groups_of, names_of_valves
from hissmark.store.archive.forget import Forgetting, Kept
from hissmark.store.archive.seal import Sealer

log = structlog.get_logger("hissmark.daemon")


class LongHistory:
    """Runs on the housekeeping thread beside intake. Whatever is cut short is taken up by the next run."""

    def __init__(self, site: Site, store: sa.Engine, layout: Callable[[], Layout], clock: Clock) -> None:
        """`layout` gives the one in force: the register may change while the service runs."""
        self._wanted, self._place = site.settings.store, site.archive
        self._store, self._layout, self._clock = store, layout, clock

    def run(self) -> None:
        """Delete first: what is too old is not filed any more. Put off while an import writes files."""
        with alone(self._store, patience_s=60.0):
            self._run()

    def _run(self) -> None:
        self._sweep()
        now_us, layout, wanted = self._clock.now_us(), self._layout(), self._wanted
        kept = Kept(wanted.retention_days, wanted.minute_days, wanted.hour_days)
        gone = Forgetting(self._store, self._place, kept, names_of_valves(layout)).forget(now_us)
        if gone.files or gone.samples:
            log.info("older than the retention, deleted", files=gone.files, samples=gone.samples)
        if wanted.feed_days:
            arrivals.forget(self._store, now_us - wanted.feed_days * DAY_US)
        if self._place is not None:
            self._seal(Sealer(self._store, self._place, groups_of(layout), self._clock.now_us), now_us)

    def _sweep(self) -> None:
        """Drafts of a service or import that was killed: whoever is alone here has none."""
        left = self._place.sweep() if self._place is not None else 0
        if left:
            log.info("unfinished files in the archive removed", files=left)

    def _seal(self, sealer: Sealer, now_us: int) -> None:
        days = self._wanted.retention_days
        oldest_us = max(0, day_of(now_us - days * DAY_US)) if days else 0
        before_us = day_of(now_us - self._wanted.recent_days * DAY_US)
        for done in sealer.seal_before(before_us, not_before_us=oldest_us):
            log.info("a day has been sealed", new=done.new, rows=done.rows)
