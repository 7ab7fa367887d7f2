"""Worth over HTTP: numbers with intervals, measured leaks, assumptions, metrics."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from prometheus_client import CollectorRegistry, generate_latest

from hissmark.daemon.worth_metrics import WorthCollector
from support.invented import MINUTE_US, PASSING, START_US, Invented

BY = {"operator": "M. Okafor"}
TYPED = {"leak": "3.2 kg/h", "level": "37 dB", "fluid": "natural gas", "upstream": "31 barg"}


def measure(client: TestClient, **more: object) -> dict[str, object]:
    body = {**BY, "valve": "XV-103", "typed": TYPED, **more}
    answer = client.post("/api/v1/calibration", json=body)
    assert answer.status_code == 201, answer.text
    made: dict[str, object] = answer.json()
    return made


def assume(client: TestClient, name: str, text: str, valve: str | None = None) -> None:
    body = {**BY, "name": name, "text": text, "valve": valve}
    assert client.post("/api/v1/assumptions", json=body).status_code == 201


def test_a_rate_with_interval_and_origin(client: TestClient) -> None:
    assume(client, "fluid", "natural gas")
    assume(client, "price", "0.45 EUR/kg")
    measure(client)
    found = client.get("/api/v1/valves/XV-103/worth").json()
    rate = found["rate_kg_h"]
    assert rate["low"] < rate["middle"] < rate["high"]
    assert found["status"] == "estimated"
    assert found["loss"]["currency"] == "EUR"
    assert [p["author"] for p in found["points"]] == ["M. Okafor"]
    assert len(found["line"]["level_db"]) == len(found["line"]["low"]) == 41
    assert {"leak alone", "rate", "loss a year"} <= {s["what"] for s in found["trace"]}


def test_no_measured_leak_no_number(client: TestClient) -> None:
    found = client.get("/api/v1/valves/XV-103/worth").json()
    assert found["rate_kg_h"] is None
    assert found["loss"] is None
    assert found["needs"]


def test_the_list_ranks_by_worth(client: TestClient) -> None:
    assume(client, "fluid", "natural gas")
    measure(client)
    rows = client.get("/api/v1/worth").json()["valves"]
    assert rows[0]["valve"] == "XV-103"
    assert rows[0]["rate"].count("to") == 1
    assert all(row["needs"] for row in rows[1:])


def test_a_point_is_superseded_or_taken_back_never_changed(client: TestClient) -> None:
    first = measure(client)
    second = measure(client, supersedes=first["id"], reason="meter read wrong")
    assert (
        client.post(
            "/api/v1/calibration", json={**BY, "valve": "XV-103", "typed": TYPED, "supersedes": first["id"]}
        ).status_code
        == 404
    )  # it counts no more
    gone = client.post(f"/api/v1/calibration/{second['id']}/withdraw", json={**BY, "reason": "bypass open"})
    assert gone.status_code == 200
    rows = client.get("/api/v1/calibration", params={"valve": "XV-103"}).json()["points"]
    assert [(r["id"], r["counts"]) for r in rows][:2] == [(first["id"], False), (second["id"], False)]
    assert len(rows) == 3


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/v1/calibration", {**BY, "valve": "XV-103", "typed": {"leak": "3 dogs"}}),
        ("/api/v1/calibration", {**BY, "valve": "XV-103", "typed": TYPED, "at": "2099-01-01T00:00:00Z"}),
        ("/api/v1/calibration", {**BY, "valve": "XV-103", "typed": TYPED, "at": "yesterday"}),
        ("/api/v1/assumptions", {**BY, "name": "price", "text": "cheap"}),
        ("/api/v1/assumptions", {**BY, "name": "colour", "text": "red"}),
    ],
)  # fmt: skip
def test_slips_are_422_in_words(client: TestClient, path: str, body: dict[str, object]) -> None:
    answer = client.post(path, json=body)
    assert answer.status_code == 422
    assert len(answer.json()["detail"]) > 20


def test_a_valve_that_is_not_there(client: TestClient) -> None:
    assert client.get("/api/v1/valves/XV-999/worth").status_code == 404
    body = {**BY, "valve": "XV-999", "typed": TYPED}
    assert client.post("/api/v1/calibration", json=body).status_code == 404


def test_alarm_and_journal_say_how_much_leaks(plant: Invented, client: TestClient) -> None:
    assume(client, "fluid", "natural gas")
    measure(client)
    plant.tick({"North": PASSING}, START_US - 12 * MINUTE_US)
    plant.raise_alarm("XV-103")
    alarm = client.get("/api/v1/alarms").json()["alarms"][0]
    assert "kg/h of natural gas leak through (" in alarm["sentence"]
    line = client.get("/api/v1/alarms/journal").json()["entries"][0]
    assert line["event"] == "raised"
    assert "kg/h of natural gas leak through (" in line["sentence"]


def test_metrics_only_of_valves_with_a_rate(plant: Invented, client: TestClient) -> None:
    registry = CollectorRegistry()
    registry.register(WorthCollector(plant.worth.at_hand))
    assert "XV-103" not in generate_latest(registry).decode()
    assume(client, "fluid", "natural gas")
    measure(client)
    text = generate_latest(registry).decode()
    for bound in ("low", "middle", "high"):
        assert f'hissmark_leak_rate_kg_per_hour{{bound="{bound}",group="North",valve="XV-103"}}' in text
