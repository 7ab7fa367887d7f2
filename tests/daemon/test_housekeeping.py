"""Housekeeping beside the flow: what fails, hangs or is missed is told, and intake goes on."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from daemon.test_service import metric, publish, running, write_site
from hissmark.daemon.integrity_job import IntegrityJob
from hissmark.daemon.service import Daemon
from hissmark.daemon.surroundings import Surroundings
from hissmark.publish.metrics import Metrics
from hissmark.publish.pulse import Chores
from hissmark.site.load import load_site
from hissmark.store import open_store
from hissmark.store.archive.place import Folder
from hissmark.web.api import health
from support.broker import Broker
from support.certificates import Authority

ROOT = Path(__file__).parents[2]


def until(true: Callable[[], object]) -> None:
    """Wait for progress; the test's own time limit ends it."""
    while not true():
        time.sleep(0.05)


@pytest.fixture
def daemon(tmp_path: Path, broker: Broker) -> Iterator[Daemon]:
    with running(write_site(tmp_path / "site", broker)) as daemon:
        yield daemon


def pack(number: int) -> str:
    return f'[{{"bn": "AX-1", "t": {time.time() - number:.0f}, "u": "dB", "v": 30}}]'


@pytest.mark.broker
def test_jobs_that_fail_or_hang_do_not_hold_up_intake(daemon: Daemon, broker: Broker) -> None:
    """One raises at each run, one never comes back; samples go on being stored, and both are told."""
    release = threading.Event()

    def fail() -> None:
        raise RuntimeError("no room on the shelf")

    keeper = daemon._housekeeping
    keeper.every(0.1, fail, "failing")
    keeper.every(0.1, release.wait, "hanging")
    until(lambda: metric(daemon, 'hissmark_housekeeping_failures_total{job="failing"}') >= 2)
    publish(broker, "plant/a/levels", *(pack(n) for n in range(20)))
    until(lambda: metric(daemon, "hissmark_samples_total") == 20)
    daemon.live.chores.plan("hanging", -400)  # as if two intervals and the grace were over
    told = httpx.get(f"{daemon.address}/health/ready").json()
    assert "hanging" in {c["name"]: c["detail"] for c in told["checks"]}["housekeeping"]
    release.set()


@pytest.mark.broker
def test_a_worker_that_hangs_is_not_alive(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread lives and holds the engine; nothing but the pulse gives it away."""
    monkeypatch.setattr(health, "HUNG_S", 0.5)
    monkeypatch.setattr(health, "ROUND_LIMIT_S", 0.2)
    until(lambda: httpx.get(f"{daemon.address}/health/live").status_code == 200)
    release = threading.Event()
    asking = threading.Thread(target=lambda: daemon._worker.errands.do(lambda _: release.wait()))
    asking.start()
    until(lambda: httpx.get(f"{daemon.address}/health/live").status_code == 503)
    assert daemon._worker.alive
    ready = httpx.get(f"{daemon.address}/health/ready")
    assert ready.status_code == 503
    assert "does not come back" in ready.json()["detail"]
    release.set()
    asking.join()
    until(lambda: httpx.get(f"{daemon.address}/health/live").status_code == 200)


@pytest.mark.broker
def test_every_job_is_planned_and_in_the_manual(daemon: Daemon) -> None:
    page = (ROOT / "service" / "docs" / "operations.md").read_text("utf-8")
    table = page.split("\n## Housekeeping\n")[1].split("\n## ")[0]
    said = set(re.findall(r"^\| `([^`]+)`", table, re.M))
    optional = {"backup", "report"}  # only where they are asked for
    assert set(daemon.live.chores.overdue()) | optional == said


def test_a_job_that_was_done_is_not_overdue() -> None:
    chores = Chores()
    chores.plan("daily", 86_400)
    assert chores.overdue() == {"daily": 0.0}


class Now:
    """The machine's clock."""

    def now_us(self) -> int:
        return time.time_ns() // 1000


def test_damage_is_counted(tmp_path: Path) -> None:
    store, metrics = open_store("sqlite:///hissmark.db", tmp_path), Metrics()
    job = IntegrityJob(store, Folder(tmp_path / "archive"), Now(), metrics)
    job()
    text = metrics.exposition().decode()
    assert "hissmark_damaged 0.0" in text
    assert not re.search(r"^hissmark_integrity_checked_timestamp_seconds 0.0$", text, re.M)
    with store.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO journal SELECT 7, 1, 1, 'v', 'g', 'passing', 'raised', 's', 'low', NULL, NULL,"
            " '', '', '', 0"
        )
    job()
    assert "hissmark_damaged 1.0" in metrics.exposition().decode()
    store.dispose()


def test_room_on_disks_and_ends_of_certificates_are_measured(tmp_path: Path) -> None:
    cert, key = Authority(tmp_path / "ca").issue("page", days=3)
    (tmp_path / "register.csv").write_text("channel,kind,valve,group,position\nAX-1,valve,XV-1,header,0\n")
    (tmp_path / "site.toml").write_text(
        f'name = "North works"\n[http]\ncert_file = "{cert}"\nkey_file = "{key}"\n'
        '[store]\nbackup_folder = "kept/here"\narchive = "filed"\n'
    )
    site, metrics = load_site(tmp_path), Metrics()
    Surroundings(site, metrics).look()
    text = metrics.exposition().decode()
    for what in ("database", "archive", "backups"):
        found = re.search(rf'^hissmark_disk_free_bytes{{holds="{what}"}} (\S+)$', text, re.M)
        assert found
        assert float(found[1]) > 0
    found = re.search(r'^hissmark_certificate_ends_timestamp_seconds{whose="page"} (\S+)$', text, re.M)
    assert found
    assert 2 * 86_400 < float(found[1]) - time.time() <= 3 * 86_400
    cert.write_text("not a certificate")
    Surroundings(site, Metrics()).look()  # logged; the other measures go on
