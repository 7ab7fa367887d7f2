"""The disk becomes read-only under SQLite, as the kernel makes it when it finds a fault."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from faults.conftest import Journal
from faults.test_postgres_trouble import RATE, UNTIL_MINUTE, assert_same
from faults.test_store_away import AWAY, assert_one_message
from support import scenario
from support.broker import Broker
from support.faults import SQLITE, Seen, fault
from support.own_disk import OwnDisk
from support.publish import Gateway
from support.service import Service, cli, until, write_site

pytestmark = pytest.mark.broker


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[OwnDisk]:
    """Under `data/` of the site."""
    with OwnDisk(tmp_path / "site" / "data", tmp_path / "disk") as made:
        yield made


@pytest.mark.slow
@fault(
    "Disk read-only under SQLite: the kernel has found a fault in it (ext4, `errors=remount-ro`)",
    promised="nothing acknowledged, the reason in the log and in `/health/ready`, pages live on, SIGTERM "
    "ends it in time; a start meanwhile is refused with one message; after the repair every sample once, "
    "the same journal",
    stores=SQLITE,
)
def test_disk_becomes_read_only(
    tmp_path: Path, broker: Broker, disk: OwnDisk, uninterrupted: Journal, seen: Seen
) -> None:
    site = write_site(tmp_path / "site", broker, scenario.register(), tables=scenario.TABLES)
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Service(site) as service:
        service.start()
        with Gateway(broker).sending(messages, rate=RATE):
            service.wait_stored(samples // 3)
            disk.fail()
            said = service.wait_for(AWAY)["reason"]
            assert str(site / "data") in said
            until(
                lambda: "Nothing can be stored" in str(service.get("/health/ready", status=503)), "the reason"
            )
            assert len(service.get("/api/v1/valves")["valves"]) == 11
            assert service.stop() == 0
            seen.at_most("s to end", service.stopped_s)
        assert_one_message(cli(site, "run", check=False), str(site / "data"))
        disk.repair()
        assert service.start().stored() < samples, "the broker has kept the rest"
        service.wait_stored(samples)
        assert_same(site, samples, service, uninterrupted)
