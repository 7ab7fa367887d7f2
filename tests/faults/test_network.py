"""A network and a broker that fail in ways that nobody is told of: silent, slow, cut in mid-packet."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from faults.conftest import Journal, acknowledge
from hissmark.decode.times import parse_rfc3339_us
from support import panel, scenario
from support.broker import Broker, free_port
from support.cable import Cabinet
from support.faults import SQLITE, Seen, fault
from support.proxy import Proxy
from support.publish import Gateway
from support.service import COMMAND, Service, cli_json, journal, until, write_site

pytestmark = pytest.mark.broker

MakeBroker = Callable[..., Broker]
SHORT = {"keepalive_s": 5}
"""A connection on which nothing moves is given up after one and a half of it."""


@pytest.fixture
def proxy(broker: Broker) -> Iterator[Proxy]:
    with Proxy(broker) as made:
        yield made


@contextmanager
def every(seconds: float, do: Callable[[], object]) -> Iterator[None]:
    """Do something again and again until the block ends."""
    ended = threading.Event()

    def run() -> None:
        while not ended.wait(seconds):
            do()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def lost(service: Service) -> int:
    return len(service.logged("no connection to the broker"))


@fault(
    "Connection cut in the middle of a packet, again and again",
    promised="every sample once, the same journal",
)
def test_cut_in_mid_packet(tmp_path: Path, broker: Broker, proxy: Proxy, seen: Seen) -> None:
    """At every place of a packet sooner or later; what was read by half is thrown away and comes again."""
    site = write_site(tmp_path / "site", proxy, panel.REGISTER)
    found = panel.rows(3000)
    with Service(site).start() as service:
        gateway = Gateway(broker)
        for number in range(3):
            proxy.cut_in_mid_packet(after_bytes=20_000 + 777 * number)
            gateway.send(panel.packs(found[number * 1000 : number * 1000 + 1000]))
            until(lambda: proxy.cuts > number, "the cut")  # noqa: B023
            service.wait_for("subscribed", times=number + 2)
        seen.count("cuts", proxy.cuts)
        panel.assert_stored(service, found)


@fault(
    "Half-open connection: nothing passes any more and nobody is told",
    promised="given up after one and a half keepalives, connected anew; every sample once, the same journal",
)
def test_half_open_is_noticed(tmp_path: Path, broker: Broker, proxy: Proxy, seen: Seen) -> None:
    site = write_site(tmp_path / "site", proxy, panel.REGISTER, mqtt=SHORT)
    found = panel.rows(1000)
    with Service(site).start() as service:
        gateway = Gateway(broker)
        gateway.send(panel.packs(found[:500]))
        service.wait_stored(1500)
        proxy.fall_silent()
        gateway.send(panel.packs(found[500:]))
        said = service.wait_for("no connection to the broker")
        assert "the broker was silent for 7.5 s" in said["reason"]
        seen.count("silences")
        panel.assert_stored(service, found)


def run_badly(
    site: Path,
    broker: Broker,
    faults: Callable[[Service, int], Any],
    uninterrupted: Journal,
    program: Sequence[str] = COMMAND,
) -> None:
    """The scenario, with a fault around the sending of each of its segments: every sample once, the same
    journal.
    """
    gateway, expected = Gateway(broker), 0
    with Service(site, program=program).start() as service:
        for number, (messages, samples, valve) in enumerate(scenario.stream().segments()):
            with faults(service, number), gateway.sending(messages, rate=3000):
                pass
            expected += samples
            service.wait_stored(expected)
            if valve:
                acknowledge(service, valve)
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples
    assert journal(site) == uninterrupted


@pytest.fixture
def behind_proxy(tmp_path: Path, proxy: Proxy, store_url: str) -> Path:
    """The scenario's site on either store, with the proxy for a broker."""
    site, tables = tmp_path / "site", scenario.TABLES
    return write_site(site, proxy, scenario.register(), store_url=store_url, tables=tables, mqtt=SHORT)


@pytest.mark.slow
@fault("Connection cut in the middle of a packet, again and again")
def test_cut_every_second_and_the_journal_is_the_same(
    behind_proxy: Path, broker: Broker, proxy: Proxy, uninterrupted: Journal, seen: Seen
) -> None:
    sizes = iter(range(100, 10_000_000, 1237))

    def faults(service: Service, number: int) -> Any:
        return every(1.0, lambda: proxy.cut_in_mid_packet(next(sizes)))

    run_badly(behind_proxy, broker, faults, uninterrupted)
    seen.count("cuts", proxy.cuts)
    assert proxy.cuts >= 5


@pytest.mark.slow
@fault("Half-open connection: nothing passes any more and nobody is told")
def test_half_open_in_mid_stream_and_the_journal_is_the_same(
    behind_proxy: Path, broker: Broker, proxy: Proxy, uninterrupted: Journal, seen: Seen
) -> None:
    @contextmanager
    def faults(service: Service, number: int) -> Iterator[None]:
        before = lost(service)
        timer = threading.Timer(1.5, proxy.fall_silent)
        timer.start()
        yield
        timer.join()
        until(lambda: lost(service) > before, "the silence to be noticed")

    run_badly(behind_proxy, broker, faults, uninterrupted)
    seen.count("silences", 3)


@pytest.mark.slow
@fault(
    "Broker's host vanishes: the cable is pulled (network namespace), and plugged in again",
    promised="given up after one and a half keepalives, tried again until it is there; every sample once, "
    "the same journal",
    stores=SQLITE,
)
def test_cable_to_the_broker_pulled(
    tmp_path: Path, make_broker: MakeBroker, uninterrupted: Journal, seen: Seen
) -> None:
    """No relay in between that could answer for it: the kernel's own TCP, to an end that is gone."""
    with Cabinet() as cabinet:
        cable, port = cabinet.cable(), free_port()
        broker = make_broker(extra=(f"listener {port} {cable.host}",))
        mqtt = {**SHORT, "host": cable.host, "port": port}
        site = write_site(tmp_path / "site", broker, scenario.register(), tables=scenario.TABLES, mqtt=mqtt)

        @contextmanager
        def faults(service: Service, number: int) -> Iterator[None]:
            before = lost(service)
            timer = threading.Timer(1.0, cable.pull)
            timer.start()
            yield
            timer.join()
            until(lambda: lost(service) > before + 1, "the silence to be noticed, and an attempt in vain")
            cable.plug()
            service.wait_for("subscribed", times=number + 2)

        run_badly(site, broker, faults, uninterrupted, cabinet.inside(COMMAND))
        log = (site / "service.log").read_text()
    seen.count("pulls", 3)
    assert "the broker was silent for 7.5 s" in log


@pytest.mark.slow
@fault(
    "Slow broker or network: bytes trickle, every packet is late",
    promised="no connection is given up while anything moves; every sample once, the same journal",
)
def test_slow_and_late_and_the_journal_is_the_same(
    behind_proxy: Path, broker: Broker, proxy: Proxy, uninterrupted: Journal, seen: Seen
) -> None:
    """Twenty seconds at 2,000 bytes a second, and then half a second late with everything."""

    @contextmanager
    def faults(service: Service, number: int) -> Iterator[None]:
        proxy.rate, proxy.latency_s = (2000.0, 0.0) if number == 0 else (None, 0.5 if number == 1 else 0.0)
        yield
        if number == 0:
            time.sleep(20.0)
        proxy.rate, proxy.latency_s = None, 0.0

    run_badly(behind_proxy, broker, faults, uninterrupted)
    seen.note("2,000 bytes a second for 20 s, half a second late")
    assert proxy.cuts == 0


@contextmanager
def hung(broker: Broker) -> Iterator[None]:
    """The broker's process does nothing any more, and does not know it."""
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    try:
        yield
    finally:
        broker.process.send_signal(signal.SIGCONT)


@pytest.mark.slow
@fault(
    "Broker process that hangs (SIGSTOP): its port answers, nothing else does",
    promised="noticed, told, tried again until it answers; every sample once, the same journal",
)
def test_a_broker_that_hangs_and_the_journal_is_the_same(
    tmp_path: Path, broker: Broker, store_url: str, uninterrupted: Journal, seen: Seen
) -> None:
    site, tables = tmp_path / "site", scenario.TABLES
    write_site(site, broker, scenario.register(), store_url=store_url, tables=tables, mqtt=SHORT)

    @contextmanager
    def faults(service: Service, number: int) -> Iterator[None]:
        before = lost(service)
        time.sleep(0.1)
        yield
        with hung(broker):
            until(lambda: lost(service) > before + 1, "the silence to be noticed, and an attempt in vain")
        service.wait_for("subscribed", times=number + 2)

    run_badly(site, broker, faults, uninterrupted)
    seen.count("times", 3)


@fault(
    "Broker without persistence restarted while the service was away",
    promised="what it held is gone: told at the start, in the metric and in `/health/ready`; the gap stands "
    "in the record, and the verdicts of it say `not testable: no fresh data`",
    stores=SQLITE,
)
def test_what_a_broker_lost_is_on_record_as_a_gap(tmp_path: Path, make_broker: MakeBroker) -> None:
    """Three hours are heard, one is lost with the broker, one is heard."""
    broker = make_broker(persistence=False)
    tables = {"baseline": {"learn_s": 1800, "learn_windows": 3}}
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=tables)
    found = panel.rows(5 * 360)
    heard, gone, after = found[: 3 * 360], found[3 * 360 : 4 * 360], found[4 * 360 :]
    gateway = Gateway(broker)
    with Service(site).start() as service:
        gateway.send(panel.packs(heard))
        service.wait_stored(3 * len(heard))
        assert service.stop() == 0
        gateway.send(panel.packs(gone))
        broker.kill()
        broker.start()
        service.start()
        assert service.logged("broker forgot the session")
        gateway.send(panel.packs(after))
        service.wait_stored(3 * (len(heard) + len(after)))
        until(lambda: service.metric("hissmark_session_losses_total") == 1, "the loss to be counted")
        ready = {check["name"]: check for check in service.get("/health/ready")["checks"]}
        assert "forgotten our session 1 time" in ready["broker"]["detail"]
        assert service.stop() == 0
        assert service.samples() == panel.stored_as([*heard, *after])
    in_gap = range(gone[150][0], gone[350][0], 600 * panel.SECOND_US)
    for valve in ("XV-1", "XV-2", "XV-3"):
        said = verdicts(site, valve)
        assert {said[at] for at in in_gap} == {("not testable", "no fresh data")}
        assert said[gone[0][0]][0] == "quiet"
        assert list(said.values())[-1][0] == "quiet"


def verdicts(site: Path, valve: str) -> dict[int, tuple[str, str | None]]:
    """Verdict and reason at every tick on record, by its time in microseconds."""
    rows = cli_json(site, "history", valve)
    return {parse_rfc3339_us(row["time"]): (row["verdict"], row["reason"]) for row in rows}
