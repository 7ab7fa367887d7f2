"""Health: alive means the worker runs; ready means that what is shown can be relied on."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from hissmark.publish.pulse import Chores, Pulse
from support.invented import MINUTE_US, Invented


def test_all_is_well(client: TestClient) -> None:
    assert client.get("/health/live").status_code == 200
    answer = client.get("/health/ready")
    assert answer.status_code == 200
    names = ["worker", "broker", "commit", "data", "intake", "clock", "housekeeping"]
    assert [c["name"] for c in answer.json()["checks"]] == names


@pytest.mark.parametrize(
    ("facts", "check"),
    [
        ({"worker_alive": False}, "worker"),
        ({"connected": False}, "broker"),
        ({"last_commit_us": 0, "queue_messages": 3}, "commit"),
        ({"trouble": "hissmark.db: the disk is full."}, "commit"),
    ],
)
def test_not_ready_says_what_is_wrong(
    client: TestClient, plant: Invented, facts: dict[str, Any], check: str
) -> None:
    plant.live.report(**facts)
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.headers["content-type"].startswith("application/problem+json")
    assert [c["name"] for c in answer.json()["checks"] if not c["ok"]] == [check]


def test_dead_worker_is_not_alive(client: TestClient, plant: Invented) -> None:
    plant.live.report(worker_alive=False)
    assert client.get("/health/live").status_code == 503


HANGING = (  # doing, for how long in seconds, status of live, of ready
    ("judging", 59, 200, 200),
    ("judging", 61, 200, 503),
    ("judging", 301, 503, 503),
    ("storing", 61, 200, 503),
    ("storing", 9000, 200, 503),  # a restart would not bring the database back
)


def test_a_worker_that_hangs_is_found_although_its_thread_lives(client: TestClient, plant: Invented) -> None:
    now_s = [1000.0]
    for doing, for_s, live, ready in HANGING:
        plant.live.pulse = Pulse(lambda: now_s[0])
        plant.live.pulse.beat(doing)
        now_s[0] += for_s
        assert client.get("/health/live").status_code == live
        answer = client.get("/health/ready")
        assert answer.status_code == ready
        assert ("does not come back" in answer.text) == (ready == 503)
        text = client.get("/metrics").text
        assert f'hissmark_worker_busy_seconds{{doing="{doing}"}} {float(for_s)}' in text


def test_overdue_housekeeping_is_told_but_takes_nothing_away(client: TestClient, plant: Invented) -> None:
    now_s = [1000.0]
    plant.live.chores = Chores(lambda: now_s[0])
    plant.live.chores.plan("retention", 60)
    now_s[0] += 1000
    answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()["status"]) == (200, "degraded")
    told = {c["name"]: c for c in answer.json()["checks"]}["housekeeping"]
    assert told["detail"] == "Housekeeping is overdue: retention."
    text = client.get("/metrics").text
    assert 'hissmark_housekeeping_overdue_seconds{job="retention"} 580.0' in text


def test_old_data_is_told_but_takes_nothing_away(client: TestClient, plant: Invented) -> None:
    """A page that vanishes while the plant is silent would hide just that."""
    plant.clock.at_us += 6 * MINUTE_US
    answer = client.get("/health/ready")
    assert answer.status_code == 200
    assert answer.json()["status"] == "degraded"
    told = {c["name"]: c for c in answer.json()["checks"]}["data"]
    assert not told["ok"]
    assert "newest sample is 6 min old" in told["detail"]


def test_a_stalled_commit_is_not_ready_but_a_quiet_line_is(client: TestClient, plant: Invented) -> None:
    plant.clock.at_us += MINUTE_US
    assert client.get("/health/ready").status_code == 200
    plant.live.report(queue_messages=7)
    assert client.get("/health/ready").status_code == 503


def test_metrics_are_prometheus_text(client: TestClient) -> None:
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert "hissmark_rise_db{" in answer.text
    client.get("/api/v1/valves")
    assert 'route="valves",status="200"' in client.get("/metrics").text


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"subscribed": False}, "Connected to 127.0.0.1:1883, but its subscriptions do not stand yet."),
        (
            {"filters_refused": 1, "broker_trouble": "the broker refused plant/#: not authorised"},
            "Connected to 127.0.0.1:1883, but the broker refused plant/#: not authorised.",
        ),
    ],
)
def test_connected_but_not_subscribed_is_not_ready(
    client: TestClient, plant: Invented, facts: dict[str, Any], words: str
) -> None:
    plant.live.report(**facts)
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["detail"] == words
