"""A new version of the program on the tables of an old one, the gateway publishing on; and the way back."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import sqlalchemy as sa

from faults.conftest import Journal, slow_on_postgres
from hissmark.store.open import VERSION_TABLE, head_revision, resolve_url
from support import scenario
from support.broker import Broker
from support.faults import Seen, fault
from support.former_store import copy_as_of
from support.postgres import Postgres
from support.publish import Gates, Gateway
from support.service import Service, cli, journal
from support.striking import Striker, Tap

pytestmark = pytest.mark.broker

FORMER = "0011"
"""The tables of an earlier version."""
UNTIL_MINUTE = 180
RATE = 3000.0


def another_url(request: pytest.FixtureRequest, url: str) -> str:
    """Address of a second database of the same kind."""
    if url.startswith("sqlite"):
        return "sqlite:///data/former.db"
    server: Postgres = request.getfixturevalue("postgres")
    name = server.new_database()
    request.addfinalizer(lambda: server.drop_database(name))
    return server.url(name)


def use_store(site: Path, before: str, url: str) -> Path:
    """The same site with another database."""
    file = site / "site.toml"
    file.write_text(file.read_text().replace(before, url))
    return site


def revision(site: Path, url: str) -> str:
    engine = sa.create_engine(resolve_url(url, site))
    try:
        with engine.connect() as connection:
            return str(connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar_one())
    finally:
        engine.dispose()


def assert_same(service: Service, samples: int, first_hours: Journal) -> None:
    assert service.stop() == 0
    assert service.stored() == samples
    found = journal(service.folder)
    assert ("XV-12", "raised") in [(row["valve"], row["event"]) for row in found]
    assert found == first_hours[: len(found)]


@fault(
    "Version upgrade with migration, the gateway publishing on, killed in the middle of it",
    promised="all of the migration or nothing; the new program goes on where the old one ended, "
    "the same journal",
)
def test_upgraded_under_load(
    plant: Path, store_url: str, broker: Broker, first_hours: Journal,
    request: pytest.FixtureRequest, seen: Seen,
) -> None:  # fmt: skip
    """Half of the stream by the old program; its tables are brought up to date while the rest comes in."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    half = len(messages) // 2
    gateway = Gateway(broker)
    with Service(plant).start() as service:
        gateway.send(messages[:half])
        service.wait_stored(samples // 3)
        assert service.stop() == 0
    former = another_url(request, store_url)
    seen.count("rows in tables of the former version", copy_as_of(FORMER, store_url, former, plant))
    site = use_store(plant, store_url, former)
    with Service(site) as service:
        tap = Tap(messages[half:])
        with gateway.sending(tap):
            striker = Striker(service)
            striker.strike(f"before {VERSION_TABLE} 1", tap)
            assert revision(site, former) == FORMER, "nothing of it happened"
            striker.strike(f"after {VERSION_TABLE} 1", tap)
            tap.open(0)
            service.start()
        assert revision(site, former) == head_revision()
        service.wait_stored(samples)
        assert_same(service, samples, first_hours)


@slow_on_postgres
@fault(
    "Roll-back: the backup from before is restored",
    promised="goes on from the moment of the backup; once gateways have sent again what came since, "
    "every sample once and the same journal",
)
def test_rolled_back(
    plant: Path, store_url: str, broker: Broker, first_hours: Journal, request: pytest.FixtureRequest
) -> None:
    """A backup in the middle of the stream; later the site is restored from it and the rest is sent again."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    half, backup, back = len(messages) // 2, plant.with_name("backup"), plant.with_name("back")
    gateway = Gateway(broker)
    with Service(plant).start() as service:
        gateway.send(messages[:half])
        rest = Gates(messages[half:], [half // 2])  # the last quarter is published after the backup
        with gateway.sending(rest, rate=RATE):
            cli(plant, "backup", "--out", str(backup))
            rest.open()
        service.wait_stored(samples)
        assert service.stop() == 0
    other = [] if store_url.startswith("sqlite") else ["--store", another_url(request, store_url)]
    cli(backup, "restore", str(back), *other)
    if other:
        use_store(back, store_url, other[1])
    shutil.rmtree(plant)
    with Service(back).start() as service:
        assert service.stored() < samples, "what came after the backup is not in it"
        gateway.send(messages)
        service.wait_stored(samples)
        assert_same(service, samples, first_hours)
