"""The uninterrupted run that every interrupted one must equal, and the two stores."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from support import scenario
from support.broker import Broker
from support.publish import Gateway
from support.service import Service, cli, journal, write_site

Journal = list[dict[str, Any]]


def acknowledge(service: Service, valve: str) -> None:
    """What the operator does when everything published so far is on record."""
    cli(service.folder, "ack", valve, "--operator", "M. Okafor", "--comment", "seen", "--wait", "20")


@pytest.fixture(scope="session")
def uninterrupted(tmp_path_factory: pytest.TempPathFactory) -> Journal:
    """The journal of the scenario when nothing goes wrong; checked here to have in it what it is about."""
    found = undisturbed(tmp_path_factory.mktemp("uninterrupted"), 1e9)
    passing = [(row["valve"], row["event"]) for row in found if row["alarm"] == "passing"]
    told = {(valve, event) for valve in ("XV-12", "XV-33") for event in ("raised", "acknowledged", "cleared")}
    assert set(passing) == told | {("XV-22", "raised")}, "leaks and repairs, and neither spill nor stroke"
    return found


@pytest.fixture(scope="session")
def first_hours(tmp_path_factory: pytest.TempPathFactory) -> Journal:
    """The same of the scenario's first hours (`scenario.FIRST_HOURS`)."""
    found = undisturbed(tmp_path_factory.mktemp("first-hours"), scenario.FIRST_HOURS)
    passing = {(row["valve"], row["event"]) for row in found if row["alarm"] == "passing"}
    assert passing == {("XV-12", "raised"), ("XV-12", "acknowledged"), ("XV-33", "raised")}
    return found


def undisturbed(folder: Path, until_minute: float) -> Journal:
    """The journal up to a minute of the scenario."""
    with Broker(folder / "broker") as broker:
        site = write_site(folder / "site", broker, scenario.register(), tables=scenario.TABLES)
        gateway, expected = Gateway(broker), 0
        with Service(site).start() as service:
            for messages, samples, valve in scenario.stream().segments(until_minute):
                gateway.send(messages)
                expected += samples
                service.wait_stored(expected)
                if valve:
                    acknowledge(service, valve)
            assert service.stop() == 0
            assert_all_stored(service, until_minute)
        found = journal(site)
    assert [row["seq"] for row in found] == list(range(1, len(found) + 1))
    return found


def assert_all_stored(service: Service, until_minute: float) -> None:
    """Each sample of the scenario up to a minute once, none missing, none altered."""
    until_us = scenario.START_US + round(min(until_minute, 1e6) * scenario.MINUTE_US)
    wanted = {
        name: ([at for at in times if at < until_us], values[: sum(at < until_us for at in times)])
        for name, (times, values) in scenario.stream().samples.items()
    }
    assert service.samples() == wanted


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def store_url(request: pytest.FixtureRequest) -> str:
    """Either database, empty."""
    if request.param == "sqlite":
        return "sqlite:///data/hissmark.db"
    return str(request.getfixturevalue("postgres_url"))


slow_on_postgres = pytest.mark.parametrize(
    "store_url",
    ["sqlite", pytest.param("postgres", marks=[pytest.mark.postgres, pytest.mark.slow])],
    indirect=True,
)
"""Marks a test on both stores of which the one on PostgreSQL is left to the slow ones."""


@pytest.fixture
def plant(tmp_path: Path, broker: Broker, store_url: str) -> Path:
    """The scenario's site folder, on either store, and a broker that keeps its sessions."""
    return write_site(
        tmp_path / "site", broker, scenario.register(), store_url=store_url, tables=scenario.TABLES
    )
