"""PostgreSQL ends sessions, refuses writes, falls silent, is full, or is replaced by its standby."""

from __future__ import annotations

import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest

from faults.conftest import Journal
from faults.test_store_away import AWAY, BACK
from support import panel, scenario
from support.broker import Broker, free_port
from support.cable import Cabinet
from support.faults import POSTGRES, Seen, fault
from support.postgres import Postgres
from support.publish import Gateway
from support.relay import Relay
from support.service import COMMAND, Service, journal, until, write_site

pytestmark = [pytest.mark.broker, pytest.mark.postgres]

UNTIL_MINUTE = 180
RATE = 3000.0
MINE = "application_name = 'hissmark' AND datname = current_database()"


def assert_same(site: Path, samples: int, service: Service, uninterrupted: Journal) -> None:
    """Every sample once; the journal begins as the uninterrupted one."""
    assert service.stop() == 0
    assert service.stored() == samples
    found = journal(site)
    assert ("XV-12", "raised") in [(row["valve"], row["event"]) for row in found]
    assert found == uninterrupted[: len(found)]


def scenario_site(tmp_path: Path, broker: Broker, url: str) -> Path:
    return write_site(tmp_path / "site", broker, scenario.register(), store_url=url, tables=scenario.TABLES)


def conninfo(url: str) -> str:
    return url.replace("+psycopg", "")


@contextmanager
def ending_sessions(url: str, pause_s: float) -> Iterator[list[int]]:
    """Ends the service's sessions again and again; gives how many were in a transaction at each time."""
    ended: list[int] = []
    stop = threading.Event()

    def run() -> None:
        with psycopg.connect(conninfo(url), autocommit=True) as connection:
            while not stop.wait(pause_s):
                rows = connection.execute(
                    "SELECT pg_terminate_backend(pid), xact_start IS NOT NULL FROM pg_stat_activity "
                    f"WHERE {MINE}".encode()
                ).fetchall()
                ended.append(sum(busy for _, busy in rows))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield ended
    finally:
        stop.set()
        thread.join()


@pytest.mark.slow
@fault(
    "PostgreSQL ends the service's sessions, in the middle of transactions",
    promised="every sample once, the same journal",
    stores=POSTGRES,
)
def test_sessions_ended(
    tmp_path: Path, broker: Broker, postgres_url: str, uninterrupted: Journal, seen: Seen
) -> None:
    site = scenario_site(tmp_path, broker, postgres_url)
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Service(site).start() as service:
        with Gateway(broker).sending(messages, rate=RATE), ending_sessions(postgres_url, 0.3) as ended:
            until(lambda: sum(map(bool, ended)) >= 3, "transactions that were cut")
        service.wait_stored(samples)
        assert_same(site, samples, service, uninterrupted)
    seen.count("times", len(ended))
    seen.count("in the middle of a transaction", sum(map(bool, ended)))


@fault(
    "Deadlock with a foreign session of PostgreSQL",
    promised="the transaction that lost is done again; every sample once",
    stores=POSTGRES,
)
def test_deadlock(tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str) -> None:
    """A foreign session holds what the service needs late in its transaction and asks for what it has."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=postgres_url)
    found = panel.rows(300)
    waiting = f"SELECT count(*) FROM pg_stat_activity WHERE {MINE} AND wait_event_type = 'Lock'"
    with Service(site).start() as service, psycopg.connect(conninfo(postgres_url)) as foreign:
        foreign.execute("SET deadlock_timeout = '100s'")  # so that it is the service that gives in
        foreign.execute("LOCK TABLE arrivals IN SHARE ROW EXCLUSIVE MODE")
        Gateway(broker).send(panel.packs(found))
        database = postgres_url.rsplit("/", 1)[1]
        until(lambda: postgres.execute(waiting, database)[0][0], "the service to wait for the lock")
        foreign.execute("LOCK TABLE samples IN SHARE ROW EXCLUSIVE MODE")  # comes when the service gave in
        said = service.wait_for(AWAY)
        assert "had to roll back" in said["reason"]
        foreign.rollback()
        service.wait_for(BACK)
        panel.assert_stored(service, found)
    assert "deadlock detected" in postgres.log


@fault(
    "PostgreSQL read-only",
    promised="nothing acknowledged, goes on when it may be written again; the reason in the log",
    stores=POSTGRES,
)
def test_read_only(tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=postgres_url)
    database = postgres_url.rsplit("/", 1)[1]
    found = panel.rows(300)
    with Service(site).start() as service:
        gateway = Gateway(broker)
        gateway.send(panel.packs(found[:100]))
        service.wait_stored(300)
        postgres.execute(f"ALTER DATABASE {database} SET default_transaction_read_only = on")
        end_sessions(postgres, database)
        gateway.send(panel.packs(found[100:]))
        said = service.wait_for(AWAY)
        until(lambda: "read-only" in str(service.get("/health/ready", status=503)), "the reason on the page")
        assert said["reason"]
        assert service.stored() == 300
        postgres.execute(f"ALTER DATABASE {database} RESET default_transaction_read_only")
        end_sessions(postgres, database)
        service.wait_for(BACK)
        panel.assert_stored(service, found)


def end_sessions(postgres: Postgres, database: str) -> None:
    """New sessions take up what was set for the database."""
    postgres.execute(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE {MINE}", database)


@pytest.mark.slow
@fault(
    "The way to PostgreSQL falls silent (half-open connections)",
    promised="noticed within a minute and a half, nothing acknowledged; goes on over new connections, "
    "its own former session ended; every sample once, the same journal",
    stores=POSTGRES,
)
def test_the_way_to_the_server_falls_silent(
    tmp_path: Path, broker: Broker, postgres: Postgres, postgres_url: str, uninterrupted: Journal, seen: Seen
) -> None:
    """In the middle of the stream; the old connections never hear anything again, nor does the server."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Relay((postgres.host, postgres.port)) as relay:
        url = postgres_url.replace(f":{postgres.port}/", f":{relay.port}/")
        site = scenario_site(tmp_path, broker, url)
        with Service(site).start() as service:
            with Gateway(broker).sending(messages, rate=RATE):
                service.wait_stored(samples // 3)
                relay.fall_silent()
                began_s = time.monotonic()
                service.wait_for(AWAY)
                seen.at_most("s until noticed", time.monotonic() - began_s)
                assert service.logged("PostgreSQL does not answer; its connections are given up")
                assert service.get("/health/live")["status"] == "ok"
                relay.speak()
                service.wait_for(BACK)
            service.wait_stored(samples)
            assert_same(site, samples, service, uninterrupted)


@pytest.mark.slow
@fault(
    "PostgreSQL's host vanishes: the cable is pulled (network namespace), and plugged in again",
    promised="noticed by the kernel's probes within a minute, nothing acknowledged; goes on over new "
    "connections; every sample once, the same journal",
    stores=POSTGRES,
)
def test_cable_to_postgres_pulled(
    tmp_path: Path, make_broker: Callable[..., Broker], uninterrupted: Journal, seen: Seen
) -> None:
    """In the middle of the stream; the broker stays within reach, at the end of another cable."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Cabinet() as cabinet:
        to_broker, to_store, port = cabinet.cable(), cabinet.cable(), free_port()
        broker = make_broker(extra=(f"listener {port} {to_broker.host}",))
        with Postgres(also_on=to_store.host) as postgres:
            url = postgres.url(postgres.new_database())
            site = scenario_site(tmp_path, broker, url.replace(postgres.host, to_store.host))
            file = site / "site.toml"
            here = f'host = "{broker.host}"\nport = {broker.port}\n'
            file.write_text(file.read_text().replace(here, f'host = "{to_broker.host}"\nport = {port}\n'))
            with Service(site, program=cabinet.inside(COMMAND)).start() as service:
                with Gateway(broker).sending(messages, rate=RATE):
                    service.wait_stored(samples // 3)
                    to_store.pull()
                    began_s = time.monotonic()
                    service.wait_for(AWAY)
                    seen.at_most("s until noticed", time.monotonic() - began_s)
                    to_store.plug()
                    service.wait_for(BACK)
                service.wait_stored(samples)
                assert_same(site, samples, service, uninterrupted)


@pytest.fixture
def standby(tmp_path: Path) -> Iterator[tuple[Postgres, Postgres]]:
    """A primary that commits on its standby too, and the standby."""
    with Postgres() as primary:
        primary.execute("ALTER SYSTEM SET synchronous_standby_names = '*'")
        other = Postgres(copy_of=primary)
        with other:
            primary.execute("SELECT pg_reload_conf()")
            follows = "SELECT count(*) FROM pg_stat_replication WHERE sync_state = 'sync'"
            until(lambda: primary.execute(follows)[0][0], "the standby to follow")
            yield primary, other


@pytest.mark.slow
@fault(
    "PostgreSQL's primary crashes, its standby is promoted",
    promised="with a synchronous standby and both hosts in `[store] url`: goes on there by itself; "
    "every sample once, the same journal",
    stores=POSTGRES,
)
def test_failover(
    tmp_path: Path, broker: Broker, standby: tuple[Postgres, Postgres], uninterrupted: Journal, seen: Seen
) -> None:
    primary, other = standby
    primary.execute("CREATE DATABASE plant")
    hosts = "&".join(f"host={each.host}:{each.port}" for each in standby)
    url = f"postgresql+psycopg://{primary.user}@/plant?{hosts}&target_session_attrs=read-write"
    site = scenario_site(tmp_path, broker, url)
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Service(site).start() as service:
        with Gateway(broker).sending(messages, rate=RATE):
            service.wait_stored(samples // 3)
            primary.stop(signal.SIGQUIT)
            service.wait_for(AWAY)
            began_s = time.monotonic()
            other.execute("SELECT pg_promote()")
            other.execute("ALTER SYSTEM SET synchronous_standby_names = ''")
            other.execute("SELECT pg_reload_conf()")
            service.wait_for(BACK)
            seen.at_most("s from promotion to storing", time.monotonic() - began_s)
        service.wait_stored(samples)
        assert_same(site, samples, service, uninterrupted)


@pytest.mark.slow
@fault(
    "PostgreSQL crashes and recovers, again and again",
    promised="every sample once, the same journal",
    stores=POSTGRES,
)
def test_crashed(tmp_path: Path, broker: Broker, uninterrupted: Journal, seen: Seen) -> None:
    """A server of its own, stopped the way that makes it recover from its log."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Postgres(durable=True) as postgres:
        site = scenario_site(tmp_path, broker, postgres.url(postgres.new_database()))
        with Service(site).start() as service:
            with Gateway(broker).sending(messages, rate=RATE):
                for fifth in range(1, 5):
                    service.wait_stored(samples * fifth // 5)
                    postgres.stop(signal.SIGQUIT)
                    service.wait_for(AWAY, times=fifth)
                    postgres.start()
                    service.wait_for(BACK, times=fifth)
                    seen.count("crashes")
            service.wait_stored(samples)
            assert_same(site, samples, service, uninterrupted)
        assert "automatic recovery in progress" in postgres.log


@pytest.fixture
def small_tablespace(postgres: Postgres) -> Iterator[tuple[str, Callable[[int], None]]]:
    """Address of a database on a file system of its own; call to leave so many bytes free on it."""
    folder = Path(tempfile.mkdtemp(prefix="hm-full-"))
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", folder], check=False)
    if done.returncode:
        pytest.skip("mounting a file system needs root")
    shutil.chown(folder, "postgres")
    try:
        postgres.execute(f"CREATE TABLESPACE small LOCATION '{folder}'")
        postgres.execute("CREATE DATABASE small_one TABLESPACE small")
        yield postgres.url("small_one"), lambda free: leave_free(folder, free)
        postgres.drop_database("small_one")
        postgres.execute("DROP TABLESPACE small")
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def leave_free(folder: Path, free: int) -> None:
    """Change the size of the file system."""
    size = shutil.disk_usage(folder).used + free
    subprocess.run(["mount", "-o", f"remount,size={size}", folder], check=True)


@pytest.mark.slow
@fault("Disk full")
def test_disk_full_under_postgres(
    tmp_path: Path, broker: Broker, small_tablespace: tuple[str, Callable[[int], None]]
) -> None:
    url, leave = small_tablespace
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=url)
    found = panel.rows(20_000, step_s=2)
    with Service(site).start() as service:
        leave(1 << 20)
        Gateway(broker).send(panel.packs(found))
        said = service.wait_for(AWAY)
        assert "the database server's disk is full" in said["reason"]
        assert service.stored() < 60_000
        leave(64 << 20)
        service.wait_for(BACK)
        panel.assert_stored(service, found)
