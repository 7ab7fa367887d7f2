"""Killed at random moments, or without its broker for a while: every sample stored once, the same journal."""

from __future__ import annotations

import random
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from faults.conftest import Journal, acknowledge, assert_all_stored
from support import scenario
from support.broker import Broker
from support.faults import Seen, fault
from support.publish import Gates, Gateway, Sent, samples_in
from support.service import Service, cli, cli_json, journal

pytestmark = pytest.mark.broker

RATE = 3000.0
"""Messages a second: the stream lasts long enough to be interrupted in its middle."""
STARTING = ("catching up with what is stored", "listening", "connected", "subscribed")
JITTER_S = 0.3


class Killer:
    """Kills the service at random places of a stream and while it starts, and starts it again."""

    def __init__(self, service: Service, seed: int) -> None:
        self._service, self._rng = service, random.Random(seed)
        self.struck: list[int] = []
        """Samples on record at each kill in the middle of the stream."""
        self.recovery_s: list[float] = []
        self._kills = 0

    def places(self, count: int, kills: int) -> list[int]:
        """Where to strike among `count` messages: somewhere in each of so many stretches of equal length."""
        stretch = count // (kills + 1)
        return [i * stretch + self._rng.randrange(stretch // 2, stretch) for i in range(kills)]

    def strike(self, messages: Sequence[Sent], places: Sequence[int], before: int, gates: Gates) -> None:
        """At each place: wait until it is on record, kill a moment later, and let the stream go on.

        What is published never reaches the next place before the kill, so that each finds more on record than
        the one before, and always more is to come. `before`: samples on record before the first message.
        """
        for begin, end in pairwise([0, *places]):
            before += sum(map(samples_in, messages[begin:end]))
            self._service.wait_stored(max(before, self._last() + 1))
            time.sleep(self._rng.uniform(0.0, JITTER_S))
            self.kill()
            self.struck.append(self._service.stored())
            gates.open()
            if self._rng.random() < 0.3:
                self._service.wait_for(self._rng.choice(STARTING))
                time.sleep(self._rng.uniform(0.0, JITTER_S))
                self.kill()
            self._wait_until_listening()

    def _last(self) -> int:
        """On record at the kill before, which may have found all up to the next gate there."""
        return self.struck[-1] if self.struck else 0

    def kill(self) -> None:
        self._kills += 1
        self._service.kill()
        self._service.spawn()

    def tell(self, seen: Seen) -> None:
        """What goes into the table."""
        seen.count("kills", self._kills)
        seen.at_most("s from start to listening", max(self.recovery_s))

    def _wait_until_listening(self) -> None:
        began_s = time.monotonic()
        self._service.wait_for("listening")
        self.recovery_s.append(time.monotonic() - began_s)


def run_and_kill(
    plant: Path, broker: Broker, seed: int, kills: int, rate: float, until_minute: float = 1e9
) -> Killer:
    """The scenario under kills; the last acknowledgement is given while the service is dead."""
    gateway, expected = Gateway(broker), 0
    segments = scenario.stream().segments(until_minute)
    with Service(plant).start() as service:
        killer = Killer(service, seed)
        for number, (messages, samples, valve) in enumerate(segments):
            places = killer.places(len(messages), kills)
            gates = Gates(messages, [*places[1:], len(messages) - 1])
            with gateway.sending(gates, rate=rate):
                killer.strike(messages, places, expected, gates)
            expected += samples
            service.wait_stored(expected)
            if valve and number == len(segments) - 2:
                service.kill()
                acknowledge_dead(service, valve)
                service.spawn()
            elif valve:
                acknowledge(service, valve)
                killer.kill()
        service.wait_for("connected")
        assert service.stop() == 0
        assert_all_stored(service, until_minute)
    return killer


def acknowledge_dead(service: Service, valve: str) -> None:
    """It goes on record at once and is applied when the service is back, as after the same last tick."""
    said = cli(service.folder, "ack", valve, "--operator", "M. Okafor", "--comment", "seen", "--wait", "0")
    assert "applies it when it runs" in said.stdout


def assert_in_the_middle(killer: Killer, kills: int) -> None:
    """Each kill struck a stream under way: more was there than at the one before, and more was to come."""
    assert len(killer.struck) == kills
    edges = [0, *killer.struck, scenario.COUNT]
    assert all(one < other for one, other in pairwise(edges)), edges


@fault(
    "SIGKILL at random moments, starting or at work, the gateway publishing on",
    promised="every sample once, the same journal",
)
def test_killed_at_random_moments(plant: Path, broker: Broker, first_hours: Journal, seen: Seen) -> None:
    killer = run_and_kill(plant, broker, 5, 2, RATE, scenario.FIRST_HOURS)
    killer.tell(seen)
    assert_in_the_middle(killer, 4)
    assert journal(plant) == first_hours
    raw = cli_json(plant, "history", "XV-12", "--raw")
    heard = scenario.stream().samples["AX-12"][1]
    assert [row["value"] for row in raw] == heard[: int(scenario.FIRST_HOURS) * 6]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
@fault("SIGKILL at random moments, starting or at work, the gateway publishing on")
def test_killed_at_many_random_moments(
    plant: Path, broker: Broker, uninterrupted: Journal, seed: int, seen: Seen
) -> None:
    killer = run_and_kill(plant, broker, seed=seed, kills=12, rate=RATE)
    killer.tell(seen)
    assert_in_the_middle(killer, 36)
    assert journal(plant) == uninterrupted


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
@fault(
    "Broker with persistence stopped and started again",
    promised="the session goes on; every sample once, the same journal",
)
def test_broker_stopped_and_restarted(plant: Path, broker: Broker, first_hours: Journal, seen: Seen) -> None:
    """The gateway keeps what it cannot deliver; the session is there again when the broker is."""
    run_with_outages(plant, broker, 2.5, {0}, scenario.FIRST_HOURS)
    seen.count("outages")
    assert journal(plant) == first_hours


@pytest.mark.slow
@fault("Broker with persistence stopped and started again")
def test_broker_stopped_for_a_minute_three_times(
    plant: Path, broker: Broker, uninterrupted: Journal, seen: Seen
) -> None:
    run_with_outages(plant, broker, 60.0, {0, 1, 2})
    seen.count("outages", 3)
    seen.at_most("s without a broker", 60.0)
    assert journal(plant) == uninterrupted


def run_with_outages(
    plant: Path, broker: Broker, seconds: float, outages: set[int], until_minute: float = 1e9
) -> None:
    """The scenario, with the broker away for so long in the middle of these of its segments."""
    gateway, expected = Gateway(broker), 0
    with Service(plant).start() as service:
        for number, (messages, samples, valve) in enumerate(scenario.stream().segments(until_minute)):
            if number in outages:
                send_with_an_outage(gateway, messages, broker, seconds, service, expected)
            else:
                gateway.send(messages)
            expected += samples
            service.wait_stored(expected)
            if valve:
                acknowledge(service, valve)
        assert gateway.reconnects >= len(outages)
        assert not service.logged("broker forgot the session")
        assert service.metric("hissmark_reconnects_total") >= len(outages)
        assert service.stop() == 0
        assert_all_stored(service, until_minute)


def send_with_an_outage(
    gateway: Gateway, messages: Sequence[Sent], broker: Broker, seconds: float, service: Service, before: int
) -> None:
    """Send all; the broker goes when a third is on record, and the last message is sent after it is back."""
    gates = Gates(messages, [len(messages) - 1])
    third = sum(map(samples_in, messages[: len(messages) // 3]))
    with gateway.sending(gates, rate=RATE):
        service.wait_stored(before + third)
        broker.stop()
        time.sleep(seconds)
        broker.start()
        gates.open()
