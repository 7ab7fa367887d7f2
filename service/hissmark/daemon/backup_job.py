"""The backup on a schedule: made when the newest is old enough, also if the service was off at the time."""

from __future__ import annotations

import structlog

from hissmark.backup.kept import finished, keep_backing_up, made_at, sweep
from hissmark.backup.manifest import BackupError
from hissmark.daemon.clock import Clock
from hissmark.publish.metrics import Metrics
from hissmark.site.files import file_of
from hissmark.site.load import Site
from hissmark.store.errors import StoreError

log = structlog.get_logger("hissmark.daemon")


class BackupJob:
    """Called every few minutes; makes a backup if one is due. `site` has a `backup_folder`."""

    def __init__(self, site: Site, clock: Clock, metrics: Metrics) -> None:
        store = site.settings.store
        self._site, self._clock, self._metrics = site, clock, metrics
        self._under = file_of(site.folder, store.backup_folder or "")
        self._every_s, self._keep = store.backup_every_h * 3600, store.backup_keep

    def __call__(self) -> None:
        left = sweep(self._under, self._site.name)  # the scheduler runs one of us at a time
        if left:
            log.info("unfinished backups removed", folders=left)
        now_us = self._clock.now_us()
        last_s = self._last_s()
        self._metrics.backup_at.set(last_s)
        if now_us / 1e6 - last_s < self._every_s:
            return
        try:
            made = keep_backing_up(self._site, self._under, self._keep, now_us)
        except (BackupError, StoreError) as error:
            self._metrics.backup_failures.inc()
            log.error("no backup could be made; it is tried again soon", reason=str(error))
            return
        self._metrics.backup_at.set(self._last_s())
        log.info("backup made", folder=str(made.folder), rows=made.manifest.rows, bytes=made.manifest.size)

    def _last_s(self) -> float:
        """When the newest was made, seconds since 1970; 0 if there is none."""
        made = finished(self._under)
        at = made_at(made[-1]) if made else None
        return 0.0 if at is None else at.timestamp()
