"""Clocks that are set, hours that come twice, samples that come twice, late, mixed up, or all at once."""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from faults.conftest import Journal, acknowledge
from hissmark.decode.times import parse_rfc3339_us
from support import panel, scenario
from support.broker import Broker
from support.faults import SQLITE, Seen, fault
from support.publish import Gateway, Sent, samples_in
from support.service import Service, cli_json, journal, until, write_site

pytestmark = pytest.mark.broker

HOUR_S = 3600
STEPPED = Path(__file__).parents[1] / "support" / "stepped.py"
TABLES: dict[str, dict[str, object]] = {"baseline": {"learn_s": 1800, "learn_windows": 3}}


@pytest.fixture
def clock(tmp_path: Path) -> Callable[[float], None]:
    """Sets the machine's clock, as the service sees it, so many seconds ahead."""
    file = tmp_path / "ahead"

    def set_ahead(seconds: float) -> None:
        new = file.with_suffix(".new")
        new.write_text(str(seconds))
        new.replace(file)  # the service reads it all the time

    set_ahead(0)
    return set_ahead


def checks(service: Service) -> dict[str, dict[str, Any]]:
    return {check["name"]: check for check in service.get("/health/ready")["checks"]}


def valve(service: Service, tag: str) -> dict[str, Any]:
    return next(row for row in service.get("/api/v1/valves")["valves"] if row["valve"] == tag)


@fault(
    "The machine's clock set back or forward by hours while the service runs",
    promised="every sample once; told in the log, in a metric and in `/health/ready`. Forward: judged as "
    "ever. Back: what is more than `max_ahead_s` ahead is marked and not judged, the group is struck through "
    "as not fresh, until the clock is right; housekeeping goes on",
    stores=SQLITE,
)
def test_the_clock_is_set_back_and_forward(
    tmp_path: Path, broker: Broker, clock: Callable[[float], None], seen: Seen
) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=TABLES)
    start_us = (int(time.time()) - 3 * HOUR_S) * panel.SECOND_US
    found = panel.rows(3 * 360, start_us=start_us)
    before, forward, back, after = found[:900], found[900:960], found[960:1020], found[1020:]
    program = [sys.executable, str(STEPPED), str(tmp_path / "ahead")]
    gateway, expected = Gateway(broker), 0
    with Service(site, program=program).start() as service:

        def send(rows: list[panel.Row]) -> None:
            nonlocal expected
            gateway.send(panel.packs(rows))
            expected += 3 * len(rows)
            service.wait_stored(expected)

        def told(times: int, words: str) -> None:
            until(lambda: len(service.logged("the machine's clock was set")) == times, "the log to say so")
            until(lambda: words in checks(service)["clock"]["detail"], f"{words!r} in /health/ready")
            seen.count("steps of 3 h or 6 h")

        send(before)
        until(lambda: valve(service, "XV-1")["verdict"] == "quiet", "a verdict")
        clock(3 * HOUR_S)
        told(1, "set forward by 3 h")
        send(forward)
        assert not_judged(service) == 0
        clock(-3 * HOUR_S)
        told(2, "set back by 6 h")
        send(back)
        assert not_judged(service) == 3 * len(back)
        assert not valve(service, "XV-1")["fresh"], "what was heard lies ahead: no verdict stands on it"
        size = service.metric("hissmark_database_bytes")
        clock(0)
        told(3, "set forward by 3 h")
        send(after)
        until(lambda: valve(service, "XV-1")["fresh"], "fresh samples")
        until(lambda: valve(service, "XV-1")["verdict"] == "quiet", "a verdict again")
        assert service.metric("hissmark_clock_steps_total") == 3
        assert size > 0
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)


def not_judged(service: Service) -> float:
    return service.metric('hissmark_samples_not_judged_total{why="ahead"}')


@pytest.mark.parametrize("start", ["2026-03-29T00:30:00Z", "2026-10-25T00:00:00Z"], ids=["spring", "autumn"])
@pytest.mark.slow
@fault(
    "Daylight saving begins or ends (a machine whose zone has it)",
    promised="times stay UTC: no hour is missing and none comes twice",
    stores=SQLITE,
)
def test_daylight_saving(tmp_path: Path, broker: Broker, start: str) -> None:
    """Central European rules, spelled out (POSIX TZ): 02:00 becomes 03:00, or 03:00 becomes 02:00."""
    zone = {"TZ": "CET-1CEST,M3.5.0/2,M10.5.0/3"}
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=TABLES)
    found = panel.rows(2 * 360, start_us=parse_rfc3339_us(start))
    with Service(site, zone).start() as service:
        Gateway(broker).send(panel.packs(found))
        panel.assert_stored(service, found)
    ticks = [parse_rfc3339_us(row["time"]) for row in cli_json(site, "history", "XV-1")]
    assert len(ticks) > 110
    assert {b - a for a, b in pairwise(ticks)} == {60 * panel.SECOND_US}


@pytest.mark.slow
@fault(
    "Messages twice, mixed up within the allowed lateness, and all once more at the end",
    promised="every sample once, the same journal",
)
def test_doubles_and_disorder(plant: Path, broker: Broker, uninterrupted: Journal, seen: Seen) -> None:
    rng, gateway, expected = random.Random(4), Gateway(broker), 0
    with Service(plant).start() as service:
        for messages, samples, tag in mixed_up(rng):
            gateway.send(messages)
            expected += samples
            service.wait_stored(expected)
            if tag:
                acknowledge(service, tag)
        again = scenario.stream().messages
        gateway.send(again)
        doubles = sum(map(samples_in, again))
        until(
            lambda: service.metric("hissmark_samples_duplicate_total") >= doubles, "the doubles to be known"
        )
        seen.count("samples sent again", service.metric("hissmark_samples_duplicate_total"))
        assert service.stop() == 0
        assert service.samples() == scenario.stream().samples
    assert journal(plant) == uninterrupted


def mixed_up(rng: random.Random) -> list[tuple[list[Sent], int, str | None]]:
    """The segments of the scenario: up to 40 s late each, one in five twice."""
    stream, found = scenario.stream(), []
    edges = [0.0, *(float(minute) for minute, _ in scenario.BREAKS), 1e9]
    for number, (start, end) in enumerate(pairwise(edges)):
        first, last = (scenario.START_US + int(m * scenario.MINUTE_US) for m in (start, end))
        rows = [i for i, at in enumerate(stream.until_us) if first <= at < last]
        keyed = [(stream.until_us[i] + rng.uniform(0, 40e6), i) for i in rows]
        keyed += [(at + rng.uniform(0, 1e6), i) for at, i in keyed if rng.random() < 0.2]
        messages = [stream.messages[i] for _, i in sorted(keyed)]
        tag = scenario.BREAKS[number][1] if number < len(scenario.BREAKS) else None
        found.append((messages, sum(stream.sizes[i] for i in rows), tag))
    return found


DAY_ROWS = 8640


@pytest.mark.slow
@fault(
    "A gateway sends a whole day that its link held back, while the others go on",
    promised="stored and marked late; the group is judged again from there on, beside the flow; "
    "afterwards the verdicts are those of a link that was never down; pages answer meanwhile",
    stores=SQLITE,
)
def test_a_day_is_back_filled(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    start_us = (int(time.time()) // HOUR_S * HOUR_S - 30 * HOUR_S) * panel.SECOND_US
    found = panel.rows(30 * 360, start_us=start_us)
    heard, day, rest = found[: 4 * 360], found[4 * 360 : 4 * 360 + DAY_ROWS], found[4 * 360 + DAY_ROWS :]
    reference, site = (
        write_site(tmp_path / name, broker, panel.REGISTER, tables=TABLES, mqtt={"client_id": name})
        for name in ("never-down", "down")
    )
    gateway = Gateway(broker)
    with Service(reference).start() as service:
        gateway.send(panel.packs(found))
        service.wait_stored(3 * len(found))
        assert service.stop() == 0
    wanted = history(reference)
    with Service(site).spawn() as service:  # the broker's queue for it begins with its subscription
        service.wait_for("subscribed")
        gateway.send(panel.packs(heard))
        gateway.send(without(day, "AX-3"))
        gateway.send(panel.packs(rest[:60]))
        service.wait_stored(3 * len(heard) + 2 * len(day) + 3 * 60)
        held_back = [(at, [pair for pair in row if pair[0] == "AX-3"]) for at, row in day]
        with gateway.sending(panel.packs(held_back)):
            for _ in range(20):
                service.get("/api/v1/valves")
        Gateway(broker, "other").send(panel.packs(rest[60:]))
        service.wait_stored(3 * len(found))
        late = service.metric('hissmark_samples_not_judged_total{why="late"}')
        assert late >= 0.9 * len(day)
        until(lambda: history(site) == wanted, "the group to be judged again", 600.0)
        seen.count("samples back-filled", late)
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)


def without(rows: list[panel.Row], channel: str) -> list[Sent]:
    return panel.packs([(at, [pair for pair in row if pair[0] != channel]) for at, row in rows])


def history(site: Path) -> list[tuple[str, str, float | None]]:
    """Time, verdict and level of every tick of the valve that was not heard."""
    return [(r["time"], r["verdict"], r["level_db"]) for r in cli_json(site, "history", "XV-3")]


@pytest.mark.slow
@fault(
    "One channel floods: 10,000 samples a second for 20 s",
    promised="stored; its neighbours and other groups are heard and judged as ever",
    stores=SQLITE,
)
def test_a_channel_that_floods(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    """The other channels' levels are those of a plant in which nothing floods, to the last digit."""
    found = panel.rows(4 * 360)
    from_us = found[3 * 360][0]
    flood = [
        (
            f"plant/a/json/{panel.CHANNELS[0]}",
            b'{"value":%.2f,"time":%d}' % (21 + k % 9 / 10, from_us + 100 * k),
        )
        for k in range(200_000)
    ]
    levels = []
    for name, more in (("calm", []), ("flood", flood)):
        site = write_site(
            tmp_path / name, broker, panel.REGISTER, tables=TABLES, mqtt={"client_id": f"hissmark-{name}"}
        )
        with Service(site).start() as service:
            gateway = Gateway(broker)
            gateway.send(panel.packs(found[: 3 * 360]))
            with Gateway(broker, "flood", window=5000).sending(more):
                gateway.send(panel.packs(found[3 * 360 : 3 * 360 + 2]))
            gateway.send(panel.packs(found[3 * 360 + 2 :]))
            service.wait_stored(3 * len(found) + len([k for k in range(len(more)) if k * 100 % 10_000_000]))
            assert service.stop() == 0
        rows = [cli_json(site, "history", tag) for tag in ("XV-2", "XV-3")]
        levels.append([(r["time"], r["level_db"], r["verdict"]) for each in rows for r in each])
    seen.count("samples of the flood", len(flood))
    assert levels[0] == levels[1]
