"""Memory runs out, as a limit of the process or by the kernel's hand: a clean death, a new beginning."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from faults.conftest import Journal, acknowledge
from support import bounded, scenario
from support.broker import Broker
from support.faults import Seen, fault
from support.patience import PATIENCE_S
from support.publish import Gateway, Sent
from support.service import Service, journal, until, write_site

pytestmark = [pytest.mark.broker, pytest.mark.slow]

BALLAST = "x" * 500_000
EVERY = 20
"""Of so many SenML packs one carries ballast: a label that RFC 8428 lets us ignore. It needs memory."""
RATE = 3000.0


@pytest.fixture
def site(tmp_path: Path, broker: Broker, store_url: str) -> Path:
    return write_site(
        tmp_path / "site",
        broker,
        scenario.register(),
        store_url=store_url,
        tables=scenario.TABLES,
        mqtt={"queue_mb": 16},
    )


def with_ballast(messages: list[Sent]) -> list[Sent]:
    """The same samples; some of the packs are large."""
    found, packs = [], 0
    for topic, payload in messages:
        if topic.endswith("/levels"):
            packs += 1
            if packs % EVERY == 0:
                first, *rest = json.loads(payload)
                payload = json.dumps([{**first, "note": BALLAST}, *rest]).encode()
        found.append((topic, payload))
    return found


class Supervisor:
    """Starts the service again whenever it ends, as systemd and container engines do, and squeezes it."""

    def __init__(
        self, service: Service, squeeze: Callable[[Service], None], let_go: Callable[[], None]
    ) -> None:
        self._service, self._squeeze, self._let_go = service, squeeze, let_go
        self.codes: list[int] = []
        """How it ended, each time."""

    def run(self, until_stored: int, ends: int) -> None:
        """Until so much is on record; squeezed until it has ended so often, then left alone."""
        deadline_s = time.monotonic() + 2 * PATIENCE_S
        if ends:
            self._squeeze(self._service)
        while self._service.stored() < until_stored:
            assert time.monotonic() < deadline_s, f"{self._service.stored()}: {self._service.log()[-5:]}"
            if not self._service.running:
                self._begin_again(ends)
                deadline_s = time.monotonic() + 2 * PATIENCE_S
            time.sleep(0.1)

    def _begin_again(self, ends: int) -> None:
        assert self._service.process is not None
        self.codes.append(self._service.process.wait())
        ends -= len(self.codes)
        if ends <= 0:
            self._let_go()
        self._service.spawn().wait_for("listening")
        if ends > 0:
            self._squeeze(self._service)


def run_squeezed(
    site: Path, broker: Broker, squeeze: Callable[[Service], None], let_go: Callable[[], None], ends: int
) -> list[int]:
    """The scenario with ballast; returns how the service ended, each time."""
    gateway, expected, codes = Gateway(broker), 0, []
    with Service(site).start() as service:
        for messages, samples, valve in scenario.stream().segments():
            supervisor = Supervisor(service, squeeze, let_go)
            expected += samples
            with gateway.sending(with_ballast(messages), rate=RATE):
                supervisor.run(expected, ends)
            codes += supervisor.codes
            if not supervisor.codes:  # it got along with what it had: give it back
                service.kill()
                let_go()
                service.start()
            if valve:
                acknowledge(service, valve)
        until(lambda: service.stored() == expected, "all on record")
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples, "each sample once, none missing, none altered"
    return codes


@pytest.mark.timeout(1800)
@fault(
    "Out of memory: the process gets no more (resource limit)",
    promised="goes on if it can; else says so and ends with exit code 1 within seconds, and its supervisor "
    "starts it again; no message is turned away for it; every sample once, the same journal",
)
def test_no_more_memory(site: Path, broker: Broker, uninterrupted: Journal, seen: Seen) -> None:
    """Room for next to nothing, for a little, for some more: what fails is another thing each time."""
    rng = random.Random(7)

    def squeeze(service: Service) -> None:
        assert service.process is not None
        bounded.leave_room(service.process.pid, rng.choice([0.0, 0.5, 1.0, 2.0]))

    codes = run_squeezed(site, broker, squeeze, lambda: None, ends=2)
    seen.count("ends", len(codes))
    assert len(codes) >= 2
    assert set(codes) == {1}, "it ended by itself, and said that it had to give up"
    assert journal(site) == uninterrupted
    log = (site / "service.log").read_text()
    assert "out of memory; the service ends" in log
    assert "was turned away" not in log


@pytest.mark.timeout(1800)
@fault(
    "Out of memory: the kernel kills the process (control group)",
    promised="a supervisor starts it again; every sample once, the same journal",
)
def test_killed_for_its_memory(site: Path, broker: Broker, uninterrupted: Journal, seen: Seen) -> None:
    with bounded.group() as group:

        def squeeze(service: Service) -> None:
            assert service.process is not None
            group.take_in(service.process.pid)
            group.bound(6.0)  # counted are pages that come to it from now on

        codes = run_squeezed(site, broker, squeeze, lambda: group.bound(None), ends=2)
    seen.count("kills", len(codes))
    assert len(codes) >= 2
    assert set(codes) == {-9}, "SIGKILL"
    assert journal(site) == uninterrupted
