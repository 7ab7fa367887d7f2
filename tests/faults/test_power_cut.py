"""The power fails under SQLite: what was acknowledged is there, whatever became of the rest."""

from __future__ import annotations

import random
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from faults.conftest import Journal, acknowledge
from support import scenario
from support.broker import Broker
from support.faults import SQLITE, Seen, fault
from support.power_cut import Cut
from support.publish import Gates, Gateway
from support.service import Service, journal

pytestmark = [pytest.mark.broker, pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)]

RATE = 3000.0


class PowerCuts:
    """Cuts the power of a service: killed, its files torn, started again."""

    def __init__(self, service: Service, seed: int, copies: int) -> None:
        self._service, self._rng, self._copies = service, random.Random(seed), copies
        self._cut = Cut(service.folder / "data" / "hissmark.db", self._rng)
        self.cuts = 0

    def strike(self) -> None:
        """At a random moment; what readers saw before must be there afterwards, in every copy too."""
        time.sleep(self._rng.uniform(0.0, 0.4))
        seen = self._service.stored()
        self._service.kill()
        scratch = self._service.folder / "copies"
        scratch.mkdir()
        for number in range(self._copies):
            copy = self._cut.copy_to(scratch / str(number))
            copy.tear()
            assert on_record(copy.database) >= seen, "everything that a reader saw was synchronised"
            self.cuts += 1
        shutil.rmtree(scratch)
        self._cut.tear()
        self.cuts += 1
        self._service.start()
        assert self._service.stored() >= seen

    def tell(self, seen: Seen) -> None:
        seen.count("cuts", self.cuts)
        seen.count("torn pages", self._cut.torn_pages)


def on_record(database: Path) -> int:
    """Samples in a sound database, in whose journal nothing is missing."""
    with closing(sqlite3.connect(database)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        numbers = [row[0] for row in connection.execute("SELECT seq FROM journal ORDER BY seq")]
        assert numbers == list(range(1, len(numbers) + 1))
        return int(connection.execute("SELECT count(*) FROM samples").fetchone()[0])


def run_with_cuts(service: Service, broker: Broker, cuts: PowerCuts, each: int, until_minute: float) -> int:
    """The scenario up to a minute, the power cut so often in each of its segments; returns the samples."""
    gateway, expected, begin = Gateway(broker), 0, 0.0
    for minute, valve in [*scenario.BREAKS, (1e9, None)]:
        messages, samples = scenario.stream().between(begin, min(minute, until_minute))
        places = [len(messages) * (i + 1) // (each + 1) for i in range(each)]
        gates = Gates(messages, places)
        with gateway.sending(gates, rate=RATE):
            for number in range(1, each + 1):
                service.wait_stored(expected + samples * number // (each + 2))
                cuts.strike()
                gates.open()
        expected, begin = expected + samples, minute
        service.wait_stored(expected)
        if minute >= until_minute:
            break
        if valve:
            acknowledge(service, valve)
    return expected


@fault(
    "Power cut under SQLite: the log torn behind its last commit, pages that it holds damaged in the file",
    promised="opens sound with all that was acknowledged, no gap in the journal; every sample once, "
    "the same journal",
    stores=SQLITE,
)
def test_power_cut(plant: Path, broker: Broker, first_hours: Journal, seen: Seen) -> None:
    with Service(plant).start() as service:
        cuts = PowerCuts(service, seed=1, copies=5)
        samples = run_with_cuts(service, broker, cuts, 2, 180)
        assert service.stop() == 0
        assert service.stored() == samples
    cuts.tell(seen)
    found = journal(plant)
    assert ("XV-12", "raised") in [(row["valve"], row["event"]) for row in found]
    assert found == first_hours[: len(found)]


@pytest.mark.slow
@pytest.mark.timeout(3600)
@fault(
    "Power cut under SQLite: the log torn behind its last commit, pages that it holds damaged in the file",
    stores=SQLITE,
)
def test_many_power_cuts(plant: Path, broker: Broker, uninterrupted: Journal, seen: Seen) -> None:
    with Service(plant).start() as service:
        cuts = PowerCuts(service, seed=2, copies=10)
        run_with_cuts(service, broker, cuts, 8, 1e9)
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples
    cuts.tell(seen)
    assert journal(plant) == uninterrupted
