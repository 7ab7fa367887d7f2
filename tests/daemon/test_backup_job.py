"""Backups on the schedule: due, not due, missed, failed, the oldest make room."""

from __future__ import annotations

from pathlib import Path

import pytest

from hissmark.backup.kept import finished
from hissmark.daemon.backup_job import BackupJob
from hissmark.publish.metrics import Metrics
from hissmark.site.load import load_site
from hissmark.store import open_store

HOUR_US = 3_600_000_000
START_US = 1_772_323_200_000_000
SITE = 'name = "North works"\n[store]\nbackup_folder = "kept"\nbackup_every_h = 6\nbackup_keep = 2\n'
REGISTER = "channel,kind,valve,group,position\nAX-1,valve,XV-1,header,0\n"


class SetClock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.us = START_US

    def now_us(self) -> int:
        return self.us


@pytest.fixture
def job(tmp_path: Path) -> tuple[BackupJob, SetClock, Metrics, Path]:
    (tmp_path / "site.toml").write_text(SITE)
    (tmp_path / "register.csv").write_text(REGISTER)
    site = load_site(tmp_path)
    open_store(site.store_url, tmp_path).dispose()
    clock, metrics = SetClock(), Metrics()
    return BackupJob(site, clock, metrics), clock, metrics, tmp_path / "kept"  # type: ignore[arg-type]


def test_one_when_due_and_none_before(job: tuple[BackupJob, SetClock, Metrics, Path]) -> None:
    run, clock, metrics, under = job
    for hours, count in ((0, 1), (5, 1), (6, 2), (30, 2)):
        clock.us = START_US + hours * HOUR_US
        run()
        assert len(finished(under)) == count
    assert finished(under)[-1].name == "north-works-20260302T060000Z"
    assert b"hissmark_last_backup_timestamp_seconds 1.7724312e+09" in metrics.exposition()


def test_a_backup_that_fails_is_counted_and_tried_again(
    job: tuple[BackupJob, SetClock, Metrics, Path],
) -> None:
    run, _, metrics, under = job
    under.write_text("a file where the folder should be")
    run()
    assert b"hissmark_backup_failures_total 1.0" in metrics.exposition()
    under.unlink()
    run()
    assert len(finished(under)) == 1
