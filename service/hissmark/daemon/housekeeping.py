"""What is done now and then beside the flow, on a scheduler's own thread."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC

import sqlalchemy as sa
import structlog
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MISSED, JobExecutionEvent  # type: ignore[import-untyped]
from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]

from hissmark.daemon.clock import Clock
from hissmark.publish.live import LiveState
from hissmark.store.coarse import sum_up
from hissmark.store.reader import Reader
from hissmark.store.retention import checkpoint, delete_samples_before, optimize

log = structlog.get_logger("hissmark.daemon")

DAY_US = 86_400 * 1_000_000


class Housekeeping:
    """Retention, statistics, write-ahead log, gauges. Nothing here holds up intake."""

    def __init__(
        self, store: sa.Engine, reader: Reader, live: LiveState, clock: Clock, retention_days: int,
        look: Callable[[], None],
    ) -> None:  # fmt: skip
        self._store, self._reader, self._live, self._clock = store, reader, live, clock
        self._retention_days = retention_days
        self.forget_more: Callable[[], object] = lambda: None
        """What else is deleted once it is old, beside samples."""
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": 3600, "max_instances": 1}
        )
        add = self._scheduler.add_job
        add(look, "interval", seconds=1, id="health", misfire_grace_time=5)
        add(self._measure, "interval", seconds=30, id="database size")
        add(self._checkpoint, "interval", minutes=10, id="write-ahead log")
        add(self._sum_up, "interval", minutes=1, id="coarse history")
        add(self._optimize, "cron", hour=2, minute=10, id="statistics")
        add(self._forget, "cron", hour=2, minute=30, id="retention")
        self._scheduler.add_listener(_report, EVENT_JOB_ERROR | EVENT_JOB_MISSED)

    def every(self, seconds: float, job: Callable[[], object], name: str) -> None:
        """Do something else now and then, from the start on."""
        self._scheduler.add_job(job, "interval", seconds=seconds, id=name, misfire_grace_time=60)

    def start(self) -> None:
        self._scheduler.start()
        self._measure()

    def stop(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _measure(self) -> None:
        size = self._reader.size()
        self._live.report(database_bytes=size.database_bytes + size.wal_bytes)

    def _checkpoint(self) -> None:
        checkpoint(self._store)

    def _sum_up(self) -> None:
        sum_up(self._store, self._clock.now_us())

    def _optimize(self) -> None:
        optimize(self._store)

    def _forget(self) -> None:
        self.forget_more()
        if not self._retention_days:
            return
        gone = delete_samples_before(self._store, self._clock.now_us() - self._retention_days * DAY_US)
        if gone:
            log.info("samples beyond the retention deleted", samples=gone, days=self._retention_days)


def _report(event: JobExecutionEvent) -> None:
    if event.exception is not None:
        log.error(
            "a housekeeping job failed; it runs again at its next time",
            job=event.job_id,
            reason=str(event.exception),
        )
    else:
        log.warning("a housekeeping job was missed", job=event.job_id)
