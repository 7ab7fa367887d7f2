"""Server-sent events over a real uvicorn: heartbeat, events with ids, resuming, starting anew."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from hissmark.web import create_app
from support.browser import Server, serving, wait_for
from support.invented import PASSING, Invented


@dataclass
class Said:
    """One event as the wire had it (fields of the HTML standard, section 9.2.6)."""

    kind: str
    number: str
    data: dict[str, Any]


@pytest.fixture
def server(plant: Invented) -> Iterator[Server]:
    with serving(create_app(plant.context)) as made:
        yield made


def listen(server: Server, count: int, path: str = "/api/v1/events", **headers: str) -> Iterator[Said]:
    with httpx.stream("GET", server.url + path, timeout=8, headers=headers) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        block: dict[str, str] = {}
        for line in answer.iter_lines():
            if line:
                name, _, value = line.partition(": ")
                block[name] = value
            elif "event" in block:
                yield Said(block["event"], block.get("id", ""), json.loads(block["data"]))
                block, count = {}, count - 1
            if not count:
                return


def test_heartbeat_carries_the_service_clock_every_two_seconds(server: Server) -> None:
    started = time.monotonic()
    first, second = listen(server, 2)
    assert (first.kind, second.kind) == ("pulse", "pulse")
    assert first.data["now"] == "2026-03-01T02:00:00Z"
    assert 1.5 < time.monotonic() - started < 4


def test_a_tick_reaches_the_page_within_a_second(server: Server, plant: Invented) -> None:
    stream = listen(server, 2)
    next(stream)
    sent = time.monotonic()
    plant.tick({"North": PASSING})
    event = next(stream)
    assert event.kind == "readings"
    assert [g["group"] for g in event.data["groups"]] == ["North"]
    assert time.monotonic() - sent < 1


def test_nothing_is_lost_between_snapshot_and_stream(server: Server, plant: Invented) -> None:
    snapshot = httpx.get(server.url + "/api/v1/now").json()
    plant.raise_alarm("XV-103")
    kinds = [e.kind for e in listen(server, 3, f"/api/v1/events?after={snapshot['event']}")]
    assert kinds == ["pulse", "alarms", "journal"]


def test_a_reconnecting_page_goes_on_where_it_stopped(server: Server, plant: Invented) -> None:
    stream = listen(server, 3)
    next(stream)
    plant.raise_alarm("XV-103")
    first = next(stream)
    assert first.kind == "alarms"
    _pulse, again = listen(server, 2, **{"Last-Event-ID": first.number})
    assert again.kind == "journal"


@pytest.mark.parametrize("after", ["otherrun-5", "nonsense", "-", "-1"])
def test_an_id_of_another_run_means_begin_anew(server: Server, plant: Invented, after: str) -> None:
    plant.raise_alarm("XV-103")
    _pulse, event = listen(server, 2, f"/api/v1/events?after={after}")
    assert event.kind == "resync"


def test_a_page_that_leaves_is_forgotten(server: Server, plant: Invented) -> None:
    stream = listen(server, 5)
    next(stream)
    assert plant.live.broadcast.clients == 1
    stream.close()  # type: ignore[attr-defined]
    wait_for(lambda: plant.live.broadcast.clients == 0, "the subscriber to go", 6)


def test_snapshot_says_what_the_first_page_needs(server: Server, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    snapshot = httpx.get(server.url + "/api/v1/now").json()
    assert snapshot["group_names"] == ["North", "South yard"]
    assert [g["group"] for g in snapshot["groups"]] == ["North", "South yard"]
    assert [a["valve"] for a in snapshot["alarms"]] == ["XV-103"]
    assert snapshot["pulse"]["connected"] is True
