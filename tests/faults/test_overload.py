"""More than can be stored: nothing is shed, memory stays bounded, people are told, it catches up."""

from __future__ import annotations

import json
import re
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from faults.conftest import acknowledge
from support import panel
from support.broker import Broker
from support.faults import SQLITE, Seen, fault
from support.publish import Gateway, Sent
from support.service import Service, cli_json, events, until, write_site

pytestmark = pytest.mark.broker

MB = 1 << 20
QUEUE_MB = 8
HEAVY = 600_000
"""Bytes of ballast in a pack: a label that RFC 8428 lets us ignore."""


@contextmanager
def locked(site: Path) -> Iterator[None]:
    """Somebody else holds the database."""
    holder = sqlite3.connect(site / "data" / "hissmark.db", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        holder.execute("ROLLBACK")
        holder.close()


def resident_mb(service: Service) -> float:
    assert service.process is not None
    text = Path(f"/proc/{service.process.pid}/status").read_text()
    found = re.search(r"VmRSS:\s+(\d+) kB", text)
    assert found
    return int(found[1]) / 1024


def heavy(found: list[panel.Row]) -> list[Sent]:
    """Packs of three samples and more than half a megabyte."""
    ballast = "x" * HEAVY
    packs = [json.loads(payload) for _, payload in panel.packs(found)]
    return [("plant/a/levels", json.dumps([{**p[0], "note": ballast}, *p[1:]]).encode()) for p in packs]


def intake(service: Service) -> dict[str, Any]:
    return {check["name"]: check for check in service.get("/health/ready")["checks"]}["intake"]


@fault(
    "Huge payloads while nothing can be stored",
    promised="the receive queue stays within `queue_mb`, the broker keeps the rest; `paused: queue full` in "
    "`/health/ready`; pages answer; afterwards all is stored once",
    stores=SQLITE,
)
def test_memory_is_bounded_with_huge_payloads(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    """90 MB arrive while somebody holds the database; eight of them fit into the queue."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, mqtt={"queue_mb": QUEUE_MB})
    found = panel.rows(150)
    with Service(site).start() as service:
        gateway = Gateway(broker)
        gateway.send(panel.packs(found[:5]))
        service.wait_stored(15)
        before_mb = resident_mb(service)
        with locked(site):
            gateway.send(heavy(found[5:]))
            until(lambda: service.metric("hissmark_receive_paused") == 1, "the queue to be full")
            assert service.metric("hissmark_queue_bytes") < (QUEUE_MB + 1) * MB, "at most a read beyond it"
            assert "Paused: queue full" in intake(service)["detail"]
            assert len(service.get("/api/v1/valves")["valves"]) == 3
            more_mb = resident_mb(service) - before_mb
            assert more_mb < 5 * QUEUE_MB
        service.wait_stored(3 * len(found))
        until(lambda: intake(service)["ok"], "the intake to be well again")
        seen.at_most("MB more in memory with a queue of 8 MB", more_mb)
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)


CHANNELS, GROUP = 1000, 5
SECONDS = 20.0
TABLES: dict[str, dict[str, object]] = {"baseline": {"learn_s": 1800, "learn_windows": 3}}
REGISTER: list[dict[str, object]] = [
    {
        "channel": f"AX-{i}", "kind": "valve", "valve": f"XV-{i}", "group": f"rack {i // GROUP}",
        "position": i % GROUP,
    }
    for i in range(CHANNELS)
]  # fmt: skip


def level(i: int, at_s: float, leak: bool) -> float:
    rise = {0: 3.0, 1: 12.0, 2: 3.0}.get(i, 0.0) if leak else 0.0
    return 21.0 + rise + (int(at_s * 10) * 7 + i * 3) % 9 / 10


def past(start_s: float, leak_s: float, end_s: float) -> Iterator[Sent]:
    """The first group's hours before: a background, then a leak at XV-1."""
    at_s = start_s
    while at_s < end_s:
        rows = [{"n": f"AX-{i}", "u": "dB", "v": level(i, at_s, at_s >= leak_s)} for i in range(GROUP)]
        rows[0]["bt"] = at_s
        yield "plant/a/levels", json.dumps(rows).encode()
        at_s += 10.0


PACK = 100
"""Samples in a message: a broker delivers fewer messages than we can store, but not fewer samples."""


def too_much(seconds: float, which: int, counted: list[int]) -> Iterator[Sent]:
    """Packs of all channels in turn as fast as they are taken, for so long. Each sample has a
    millisecond of its own; gateways, by number, take even and odd ones.
    """
    end_s, turns, k = time.time() + seconds, CHANNELS // PACK, 0
    names = [[f'{{"n":"AX-{turn * PACK + i}","u":"dB","v":' for i in range(PACK)] for turn in range(turns)]
    last_ms = 0
    while (now_s := time.time()) < end_s:
        last_ms = at_ms = max(last_ms + 2, int(now_s * 500) * 2 + which)
        for turn in range(turns):
            levels = [level(turn * PACK + i, now_s, True) for i in range(PACK)]
            rows = [f"{name}{v:.1f}}}" for name, v in zip(names[turn], levels, strict=True)]
            pack = f'[{{"bt":{at_ms / 1000:.3f},{rows[0][1:]},{",".join(rows[1:])}]'
            yield "plant/a/levels", pack.encode()
            k += PACK
    counted.append(k)


@pytest.mark.slow
@fault(
    "More than it can do: two gateways publish packs of 1,000 channels, as fast as they can",
    promised="reading pauses, the broker holds the rest; nothing lost, nothing twice; alarms can be "
    "acknowledged and pages answer meanwhile; `/health/ready` and a metric say so, and how far behind it is; "
    "it catches up when the load falls; memory bounded",
)
def test_more_than_it_can_do(tmp_path: Path, broker: Broker, store_url: str, seen: Seen) -> None:
    site = write_site(
        tmp_path / "site", broker, REGISTER, store_url=store_url, tables=TABLES, mqtt={"queue_mb": QUEUE_MB}
    )
    now_s = time.time()
    with Service(site).start() as service:
        history = list(past(now_s - 4 * 3600, now_s - 1200, now_s))
        Gateway(broker).send(history)
        until(lambda: ("XV-1", "passing", "raised") in events(cli_json(site, "alarms")), "the alarm")
        before_mb, counted = resident_mb(service), []
        behind_s = highest_mb = 0.0
        said = set()
        one, other = Gateway(broker, "one", window=5000), Gateway(broker, "other", window=5000)
        more = too_much(SECONDS, 1, counted)
        with one.sending(too_much(SECONDS, 0, counted)), other.sending(more) as thread:
            acknowledge(service, "XV-1")
            while thread.is_alive():
                assert len(service.get("/api/v1/valves?limit=50")["valves"]) == 50
                behind_s = max(behind_s, service.metric("hissmark_ingest_behind_seconds"))
                highest_mb = max(highest_mb, resident_mb(service))
                said.add(intake(service)["detail"].split(" (")[0])
                time.sleep(0.5)
        sent = sum(counted)
        total = sent + GROUP * len(history)
        until(lambda: service.metric("hissmark_samples_total") >= total, "all of it on record", 600.0)
        until(lambda: intake(service)["ok"], "it to have caught up", 600.0)
        until(lambda: service.metric("hissmark_ingest_behind_seconds") < 60, "the gauge to say so")
        assert service.metric("hissmark_samples_total") == total, "nothing lost, nothing twice"
        assert service.metric("hissmark_samples_duplicate_total") == 0
        assert ("XV-1", "passing", "acknowledged") in events(cli_json(site, "alarms"))
        assert service.metric("hissmark_receive_pauses_total") > 0, "it was more than it could do"
        assert "Paused: queue full" in said
        assert behind_s > 1.0
        seen.count("samples", sent)
        seen.at_most("s behind", behind_s)
        seen.count("pauses of reading", service.metric("hissmark_receive_pauses_total"))
        seen.at_most("MB of memory", highest_mb)
        assert highest_mb - before_mb < 400
        assert service.stop() == 0
