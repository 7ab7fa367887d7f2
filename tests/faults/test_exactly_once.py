"""Killed at random moments, or without its broker for a while: every sample stored once, the same journal."""

from __future__ import annotations

import random
import threading
import time
from pathlib import Path

import pytest

from faults.conftest import Journal, acknowledge
from support import scenario
from support.broker import Broker
from support.publish import Gateway
from support.service import Service, cli, cli_json, journal

pytestmark = pytest.mark.broker

RATE = 3000.0
"""Messages a second: the stream lasts long enough to be interrupted in its middle."""


class Killer:
    """Kills the service at random moments, starting up or at work, and starts it again."""

    def __init__(self, service: Service, seed: int) -> None:
        self._service, self._rng = service, random.Random(seed)
        self.stored: list[int] = []
        """Samples on record at each kill."""
        self.recovery_s: list[float] = []

    def while_alive(self, thread: threading.Thread, most: int) -> None:
        """Kill and start again while `thread` publishes."""
        kills = 0
        while thread.is_alive() and kills < most:
            if self._rng.random() < 0.75:
                self.wait_until_listening()
            time.sleep(self._rng.uniform(0.05, 1.0))
            self.kill()
            kills += 1
        thread.join()

    def kill(self) -> None:
        self._service.kill()
        self.stored.append(self._service.stored())
        self._service.spawn()

    def wait_until_listening(self) -> None:
        began_s = time.monotonic()
        self._service.wait_for("listening", 60)
        self.recovery_s.append(time.monotonic() - began_s)


def run_and_kill(plant: Path, broker: Broker, seed: int, most_kills: int, rate: float) -> Killer:
    """The whole scenario under kills; the second acknowledgement is given while the service is dead."""
    gateway, expected = Gateway(broker), 0
    with Service(plant).start() as service:
        killer = Killer(service, seed)
        for number, (messages, samples, valve) in enumerate(scenario.stream().segments()):
            with gateway.sending(messages, rate=rate) as thread:
                killer.while_alive(thread, most_kills)
            expected += samples
            service.wait_stored(expected)
            if valve and number:
                service.kill()
                acknowledge_dead(service, valve)
                service.spawn()
            elif valve:
                acknowledge(service, valve)
                killer.kill()
        service.wait_for("connected", 60)
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples, "each sample once, none missing, none altered"
    return killer


def acknowledge_dead(service: Service, valve: str) -> None:
    """It goes on record at once and is applied when the service is back, as after the same last tick."""
    said = cli(service.folder, "ack", valve, "--operator", "M. Okafor", "--comment", "seen", "--wait", "0")
    assert "applies it when it runs" in said.stdout


def assert_in_the_middle(killer: Killer) -> None:
    """The kills struck a stream under way: samples were there, others were yet to come."""
    struck = {count for count in killer.stored if 0 < count < scenario.COUNT}
    assert len(struck) >= 4, killer.stored


def test_killed_at_random_moments(plant: Path, broker: Broker, uninterrupted: Journal) -> None:
    killer = run_and_kill(plant, broker, seed=5, most_kills=2, rate=RATE)
    assert_in_the_middle(killer)
    assert journal(plant) == uninterrupted
    raw = cli_json(plant, "history", "XV-12", "--raw")
    assert [row["value"] for row in raw] == scenario.stream().samples["AX-12"][1]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_killed_at_many_random_moments(
    plant: Path, broker: Broker, uninterrupted: Journal, seed: int
) -> None:
    killer = run_and_kill(plant, broker, seed=seed, most_kills=99, rate=600.0)
    assert_in_the_middle(killer)
    took = sorted(round(s, 1) for s in killer.recovery_s)
    print(f"kills {len(killer.stored)}; from start to listening {took} s")
    assert journal(plant) == uninterrupted


def away_for(broker: Broker, seconds: float) -> None:
    time.sleep(1.5)
    broker.stop()
    time.sleep(seconds)
    broker.start()


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_broker_stopped_and_restarted(plant: Path, broker: Broker, uninterrupted: Journal) -> None:
    """The gateway keeps what it cannot deliver; the session is there again when the broker is."""
    run_with_outages(plant, broker, 2.5, {1})
    assert journal(plant) == uninterrupted


@pytest.mark.slow
def test_broker_stopped_for_a_minute_three_times(plant: Path, broker: Broker, uninterrupted: Journal) -> None:
    run_with_outages(plant, broker, 60.0, {0, 1, 2})
    assert journal(plant) == uninterrupted


def run_with_outages(plant: Path, broker: Broker, seconds: float, outages: set[int]) -> None:
    """The scenario, with the broker away for so long in the middle of these of its segments."""
    gateway, expected = Gateway(broker), 0
    with Service(plant).start() as service:
        for number, (messages, samples, valve) in enumerate(scenario.stream().segments()):
            if number in outages:
                with gateway.sending(messages, rate=RATE) as thread:
                    away_for(broker, seconds)
                    assert thread.is_alive(), "it was under way"
            else:
                gateway.send(messages)
            expected += samples
            service.wait_stored(expected, 180)
            if valve:
                acknowledge(service, valve)
        assert gateway.reconnects >= len(outages)
        assert not service.logged("broker forgot the session")
        assert service.metric("hissmark_reconnects_total") >= len(outages)
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples
