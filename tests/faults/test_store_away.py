"""The store is away, full, slow or somebody else's: nothing is acknowledged, nothing is lost, it says so."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest

from faults.conftest import Journal, acknowledge, assert_all_stored
from support import panel, scenario
from support.broker import Broker, free_port
from support.faults import POSTGRES, Seen, fault
from support.postgres import Postgres
from support.publish import Gateway
from support.service import Service, cli, journal, until, write_site

pytestmark = pytest.mark.broker

AWAY = "the store is away; trying again, nothing is acknowledged meanwhile"
BACK = "the store is back"


@contextmanager
def stopped(postgres: Postgres) -> Iterator[None]:
    postgres.stop()
    try:
        yield
    finally:
        postgres.start()


@pytest.mark.postgres
@fault(
    "PostgreSQL stopped and started, in mid-stream and idle",
    promised="nothing acknowledged meanwhile; every sample once, the same journal; `the store is away` and "
    "`the store is back` in the log, the reason on the page",
    stores=POSTGRES,
)
def test_postgres_stopped_and_started(
    tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str, first_hours: Journal
) -> None:
    """In mid-stream, and again while nothing comes: every sample once, the same journal as ever."""
    site = write_site(
        tmp_path / "site", broker, scenario.register(), store_url=postgres_url, tables=scenario.TABLES
    )
    gateway, expected = Gateway(broker), 0
    segments = scenario.stream().segments(scenario.FIRST_HOURS)
    with Service(site).start() as service:
        for number, (messages, samples, valve) in enumerate(segments):
            with gateway.sending(messages, rate=4000 if number == 0 else None):
                if number == 0:
                    time.sleep(1.0)
                    with stopped(postgres):
                        service.wait_for(AWAY)
                        time.sleep(1.0)
            expected += samples
            service.wait_stored(expected)
            if valve:
                acknowledge(service, valve)
        service.wait_for(BACK)
        with stopped(postgres):
            service.wait_for(AWAY, times=2)
        service.wait_for(BACK, times=2)
        assert service.stop() == 0
        assert_all_stored(service, scenario.FIRST_HOURS)
    assert journal(site) == first_hours


@pytest.mark.postgres
@fault(
    "PostgreSQL away at the start",
    promised="one clear message, exit code 1; a supervisor (systemd, container) starts it again",
    stores=POSTGRES,
)
def test_postgres_away_at_the_start_is_said(tmp_path: Path, broker: Broker, postgres: Postgres) -> None:
    url = postgres.url(postgres.new_database())
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=url)
    with stopped(postgres):
        done = cli(site, "run", check=False)
    assert_one_message(done, "the PostgreSQL server cannot be reached. Check that it runs")


@pytest.mark.postgres
@fault("SIGTERM while the database is away or hangs, or in a long catch-up")
def test_stopped_while_the_database_is_away(
    tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str, seen: Seen
) -> None:
    """SIGTERM still ends it in time; what was not stored comes again."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=postgres_url)
    found = panel.rows(2000)
    with Service(site).start() as service:
        with stopped(postgres):
            Gateway(broker).send(panel.packs(found))
            service.wait_for(AWAY)
            assert service.stop() == 0
            seen.at_most("s to end", service.stopped_s)
        panel.assert_stored(service.start(), found)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], None]]:
    """`data/` of the site on a file system of 2 MB; call it to change the size."""
    folder = tmp_path / "site" / "data"
    folder.mkdir(parents=True)
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", folder], check=False)
    if done.returncode:
        pytest.skip("mounting a file system needs root")
    yield lambda size: subprocess.run(["mount", "-o", f"remount,size={size}", folder], check=True) and None
    subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.parametrize("killed", [False, True], ids=["recovers by itself", "killed meanwhile"])
@fault(
    "Disk full",
    promised="nothing acknowledged, goes on when there is room; also when killed meanwhile",
)
def test_disk_full(tmp_path: Path, broker: Broker, small_disk: Callable[[str], None], killed: bool) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    found = panel.rows(20_000, step_s=2)
    with Service(site).start() as service:
        Gateway(broker).send(panel.packs(found))
        said = service.wait_for(AWAY)
        assert "the disk is full. Free space on it" in said["reason"]
        assert service.stored() < 60_000
        if killed:
            service.kill()
        small_disk("64m")
        if killed:
            service.start()
        service.wait_stored(60_000)
        if not killed:
            service.wait_for(BACK)
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)


@pytest.mark.postgres
@fault(
    "PostgreSQL hangs (a lock that is not given back)",
    promised="back-pressure: the queue stays within 50,000 messages, the broker keeps the rest; "
    "pages live on; after the lock all is stored once",
    stores=POSTGRES,
)
def test_a_slow_store_holds_the_broker_back(
    tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str
) -> None:
    """Past the bound of the queue the broker keeps the rest; pages live on; then all is stored."""
    site = write_site(
        tmp_path / "site", broker, panel.REGISTER, store_url=postgres_url, mqtt={"protocol": "3.1.1"}
    )
    found = panel.rows(40_000, step_s=1)
    with Service(site).start() as service:
        conninfo = postgres_url.replace("+psycopg", "")
        with psycopg.connect(conninfo) as blocker:
            blocker.execute("LOCK TABLE samples IN EXCLUSIVE MODE")
            Gateway(broker, window=5000).send(panel.singles(found))
            until(lambda: service.metric("hissmark_queue_messages") > 50_000, "the queue to fill")
            time.sleep(2.0)
            assert service.metric("hissmark_queue_messages") < 60_000, "one read beyond the bound at most"
            assert service.get("/health/live")["status"] == "ok"
        panel.assert_stored(service, found)


@pytest.mark.postgres
@fault("SIGTERM while the database is away or hangs, or in a long catch-up")
def test_stopped_while_the_database_hangs(
    tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str, seen: Seen
) -> None:
    """A statement that does not come back is left alone: within ten seconds it ends, and nothing is lost."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=postgres_url)
    found = panel.rows(1000)
    with Service(site).start() as service:
        with psycopg.connect(postgres_url.replace("+psycopg", "")) as blocker:
            blocker.execute("LOCK TABLE samples IN EXCLUSIVE MODE")
            Gateway(broker).send(panel.packs(found))
            time.sleep(0.5)
            assert service.stop() == 0
            seen.at_most("s to end", service.stopped_s)
        panel.assert_stored(service.start(), found)


@fault("A second service on the same store", promised="refused with one message, the first is not disturbed")
def test_a_second_service_on_the_same_store_is_refused(plant: Path) -> None:
    with Service(plant).start() as service:
        done = cli(write_twin(plant), "run", check=False)
        assert_one_message(done, "another `hissmark run` is writing to this store. Stop it first")
        assert service.running
        assert service.stop() == 0


def write_twin(site: Path) -> Path:
    """Another site folder with another port, client and the same store."""
    twin = site.with_name("twin")
    twin.mkdir()
    text = (site / "site.toml").read_text().replace("hissmark-tests", "hissmark-twin")
    text = text.replace("sqlite:///data/", f"sqlite:///{site}/data/")
    text = text.replace(f"port = {Service(site).port}", f"port = {free_port()}")
    (twin / "site.toml").write_text(text)
    (twin / "register.csv").write_text((site / "register.csv").read_text())
    return twin


def assert_one_message(done: subprocess.CompletedProcess[str], part: str) -> None:
    """Exit code 1 and one sentence for people."""
    assert done.returncode == 1, done.stderr
    said = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    assert len(said) == 1, done.stderr
    assert said[0].startswith("error: ")
    assert part in said[0]
