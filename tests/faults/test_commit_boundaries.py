"""Killed right before and right after a COMMIT, and between an acknowledgement and what follows it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from pathlib import Path

import pytest

from faults.conftest import Journal, acknowledge, slow_on_postgres
from support import scenario
from support.broker import Broker
from support.faults import Seen, fault
from support.publish import Gateway, Sent
from support.service import Service, journal
from support.striking import Striker, Tap

pytestmark = pytest.mark.broker

SIDES = ("before", "after")
Strike = tuple[str, int]
"""Where, as STRIKE_AT of strike/sitecustomize.py, and how many messages flow at a time on the way there."""

FEW: list[Strike] = [
    ("before samples 2", 15),
    ("after samples 2", 15),
    ("after journal 1", 60),
]
COUNTED: list[Strike] = [(f"{side} * {n}", 5) for n, side in product(range(1, 13), SIDES)]
ACKS: list[Strike] = [(f"ack - {n}", 15) for n in range(1, 6)]
UNTIL_MINUTE = 180
"""XV-12 has been raised by then."""
TABLES = {
    "samples": 5, "journal": 60, "engine_state": 5, "tick_blocks": 5, "readings": 5, "verdict_changes": 5,
    "arrivals": 5,
}  # fmt: skip
"""Each with how many messages flow at a time: nothing is said in the journal before the first leak."""


def run_and_strike(
    service: Service, messages: Sequence[Sent], samples: int, strikes: Sequence[Strike], gateway: Gateway
) -> Striker:
    """Publish all, the service killed at each boundary in turn; it runs afterwards, with all on record."""
    striker, tap = Striker(service), Tap(messages)
    with gateway.sending(tap):
        for at, burst in strikes:
            striker.strike(at, tap, burst)
            assert service.stored() < samples, "the stream was under way"
        service.start()
        tap.open(0)
    service.wait_stored(samples)
    return striker


@slow_on_postgres
@fault(
    "SIGKILL at every commit boundary: before and after each COMMIT, after each acknowledgement",
    promised="every sample once, the same journal",
)
def test_killed_at_commits(plant: Path, broker: Broker, first_hours: Journal, seen: Seen) -> None:
    """The first hours of the scenario: the journal begins as that of the whole one."""
    messages, samples = scenario.stream().between(0, UNTIL_MINUTE)
    with Service(plant) as service:
        seen.count("kills", run_and_strike(service, messages, samples, FEW, Gateway(broker)).kills)
        assert service.stop() == 0
        assert service.stored() == samples
    found = journal(plant)
    assert ("XV-12", "raised") in [(row["valve"], row["event"]) for row in found]
    assert found == first_hours[: len(found)]


@pytest.mark.slow
@pytest.mark.timeout(3600)
@fault("SIGKILL at every commit boundary: before and after each COMMIT, after each acknowledgement")
def test_killed_at_every_kind_of_commit(
    plant: Path, broker: Broker, uninterrupted: Journal, seen: Seen
) -> None:
    """The first of each table after a start, the first dozen of any, the first acknowledgements.

    Those of tables come in the first hours, in which enough happens that the journal tells.
    """
    of_tables = [(f"{side} {table} 1", bursts) for (table, bursts), side in product(TABLES.items(), SIDES)]
    gateway, expected = Gateway(broker), 0
    strikes = [of_tables, COUNTED, ACKS]
    with Service(plant).start() as service:
        service.kill()  # it has subscribed: the first commits of a start come before that
        for (messages, samples, valve), mine in zip(scenario.stream().segments(), strikes, strict=True):
            expected += samples
            striker = run_and_strike(service, messages, expected, mine, gateway)
            seen.count("kills", striker.kills)
            if valve:
                acknowledge(service, valve)
                service.kill()
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples, "each sample once, none missing, none altered"
    assert journal(plant) == uninterrupted
