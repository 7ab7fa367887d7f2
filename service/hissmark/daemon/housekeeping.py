"""What is done now and then beside the flow, on a scheduler's own thread."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import sqlalchemy as sa
import structlog
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MISSED, JobExecutionEvent  # type: ignore[import-untyped]
from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]

from hissmark.daemon.clock import Clock
from hissmark.daemon.long_history import LongHistory
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.store.coarse import sum_up
from hissmark.store.reader import Reader
from hissmark.store.retention import checkpoint, optimize

log = structlog.get_logger("hissmark.daemon")

SOON_S = 120
BACKFILL_MIN = 5


class Housekeeping:
    """Retention, statistics, write-ahead log, gauges. Nothing here holds up intake."""

    def __init__(
        self, store: sa.Engine, reader: Reader, live: LiveState, metrics: Metrics, clock: Clock,
        long_history: LongHistory, backfill: Callable[[], object], look: Callable[[], None],
    ) -> None:  # fmt: skip
        self._store, self._reader, self._live, self._metrics = store, reader, live, metrics
        self._clock = clock
        soon = datetime.now(UTC) + timedelta(seconds=SOON_S)
        self.forget_more: Callable[[], object] = lambda: None
        """What is deleted once it is old, beside the long history."""
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
        # Soon after a start, so that what was missed while the service was down is made up for.
        add(long_history.run, "interval", hours=1, id="long history", next_run_time=soon)
        add(backfill, "interval", minutes=BACKFILL_MIN, id="back-fill", next_run_time=soon)
        self._scheduler.add_listener(self._report, EVENT_JOB_ERROR | EVENT_JOB_MISSED)

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

    def _report(self, event: JobExecutionEvent) -> None:
        self._metrics.job_failures.labels(event.job_id).inc()
        if event.exception is not None:
            log.error(
                "a housekeeping job failed; it runs again at its next time",
                job=event.job_id,
                reason=str(event.exception),
            )
        else:
            log.warning("a housekeeping job was missed", job=event.job_id)
