"""What is done now and then beside the flow, on a scheduler's own thread."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa
import structlog
from apscheduler.events import (  # type: ignore[import-untyped]
    EVENT_JOB_ERROR,
    EVENT_JOB_EXECUTED,
    EVENT_JOB_MISSED,
    JobExecutionEvent,
)
from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]

from hissmark.daemon.clock import Clock
from hissmark.daemon.long_history import LongHistory
from hissmark.daemon.memory import give_back
from hissmark.daemon.seconds import LOOK_S, Seconds
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.store.coarse import sum_up
from hissmark.store.errors import StoreError
from hissmark.store.partitions import tend
from hissmark.store.reader import Reader
from hissmark.store.retention import checkpoint, optimize

log = structlog.get_logger("hissmark.daemon")

SOON_S = 120
DAY_S = 86_400


class Housekeeping:
    """Retention, statistics, write-ahead log, gauges. Nothing here holds up intake."""

    def __init__(
        self, store: sa.Engine, reader: Reader, live: LiveState, metrics: Metrics, clock: Clock,
        long_history: LongHistory, backfill: Callable[[], object], look: Callable[[], None],
    ) -> None:  # fmt: skip
        self._store, self._reader, self._live, self._metrics = store, reader, live, metrics
        self._clock = clock
        self.forget_more: Callable[[], object] = lambda: None
        """What is deleted once it is old, beside the long history."""
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": 3600, "max_instances": 1}
        )
        self._seconds = Seconds(look, self._moved, self._looked)
        live.chores.plan("health", LOOK_S)
        self.every(30, self._measure, "database size")
        self.every(600, self._checkpoint, "write-ahead log")
        self.every(60, self._sum_up, "coarse history")
        self.every(600, give_back, "memory", after_s=SOON_S)
        # Soon after a start, so that what was missed while the service was down is made up for.
        self.every(3600, long_history.run, "long history", after_s=SOON_S)
        self.every(3600, self._tend, "days of samples", after_s=1)
        self.every(300, backfill, "back-fill", after_s=SOON_S)
        self.every(DAY_S, self._optimize, "statistics", after_s=2 * SOON_S)
        self.every(DAY_S, self._forget, "retention", after_s=3 * SOON_S)
        self._scheduler.add_listener(self._failed, EVENT_JOB_ERROR | EVENT_JOB_MISSED)
        self._scheduler.add_listener(lambda event: live.chores.done(event.job_id), EVENT_JOB_EXECUTED)

    def every(
        self,
        seconds: float,
        job: Callable[[], object],
        name: str,
        *,
        after_s: float | None = None,
        **more: Any,
    ) -> None:
        """Do something now and then; the first time after `after_s`, else after `seconds`."""
        if after_s is not None:
            more["next_run_time"] = datetime.now(UTC) + timedelta(seconds=after_s)
        self._live.chores.plan(name, seconds)
        self._scheduler.add_job(job, "interval", seconds=seconds, id=name, **more)

    def start(self) -> None:
        self._scheduler.start()
        self._seconds.start()
        self._measure()

    @property
    def ended(self) -> bool:
        """Whether nobody looks at the service's health any more."""
        return self._seconds.ended

    def stop(self) -> None:
        self._seconds.stop()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _moved(self, by_s: float) -> None:
        """The machine's clock was set: jobs stay as far away as they were, and people are told."""
        log.warning("the machine's clock was set", by_s=round(by_s), back=by_s < 0)
        self._metrics.clock_steps.inc()
        self._live.report(clock_set_us=self._clock.now_us(), clock_set_by_s=by_s)
        for job in self._scheduler.get_jobs():
            if job.next_run_time is not None:
                job.modify(next_run_time=job.next_run_time + timedelta(seconds=by_s))

    def _looked(self, error: Exception | None) -> None:
        """The look of this second is done; `error`: what it raised."""
        if error is None:
            self._live.chores.done("health")
        else:
            self._metrics.job_failures.labels("health").inc()
            log.error(
                "a housekeeping job failed; it runs again at its next time", job="health", reason=str(error)
            )

    def _measure(self) -> None:
        size = self._reader.size()
        self._live.report(database_bytes=size.database_bytes + size.wal_bytes)
        self._metrics.wal_bytes.set(size.wal_bytes)

    def _checkpoint(self) -> None:
        checkpoint(self._store)

    def _tend(self) -> None:
        done = tend(self._store, self._clock.now_us())
        if done.moved:
            log.info("late samples have moved into days of their own", samples=done.moved)

    def _sum_up(self) -> None:
        sum_up(self._store, self._clock.now_us())

    def _optimize(self) -> None:
        optimize(self._store)

    def _forget(self) -> None:
        self.forget_more()

    def _failed(self, event: JobExecutionEvent) -> None:
        self._metrics.job_failures.labels(event.job_id).inc()
        if event.exception is not None:
            log.error(
                "a housekeeping job failed; it runs again at its next time",
                job=event.job_id,
                reason=str(event.exception),
                **({} if isinstance(event.exception, StoreError) else {"traceback": event.traceback}),
            )
        else:
            log.warning("a housekeeping job was missed", job=event.job_id)
