"""Findings and repairs through the API, over a real store."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented

REPAIR = {"valve": "XV-103", "work": "seat-lapped", "who": "O. Berg"}


def post(client: TestClient, path: str, status: int = 201, **body: Any) -> Any:
    done = client.post(f"/api/v1/{path}", json=body)
    assert done.status_code == status, done.text
    return done.json()


def repairs(client: TestClient, query: str = "") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/api/v1/repairs{query}").json()["repairs"]
    return found


def minutes_of(plant: Invented, first: int, last: int, scene: Any) -> None:
    for minute in range(first, last):
        plant.tick({"North": scene}, START_US + minute * MINUTE_US)
    plant.clock.at_us = START_US + last * MINUTE_US


def test_a_repair_goes_on_record_with_everything(client: TestClient, plant: Invented) -> None:
    cost = {"amount": "1250.5", "currency": "eur"}
    number = post(client, "repairs", **REPAIR, operator="Kari", note="scored", cost=cost)["id"]
    [row] = repairs(client)
    assert (row["id"], row["valve"], row["work_text"], row["note"]) == (
        number,
        "XV-103",
        "seat lapped",
        "scored",
    )
    assert (row["who"], row["recorded_by"]) == ("O. Berg", "Kari")
    assert row["cost"] == {"amount": "1250.50", "currency": "EUR"}
    assert row["at"] == "2026-03-01T02:00:00Z"
    assert row["check"]["state"] == "waiting for the first tick after the work"


def test_its_check_runs_by_itself(client: TestClient, plant: Invented) -> None:
    minutes_of(plant, 0, 30, PASSING)
    number = post(client, "repairs", **REPAIR)["id"]
    minutes_of(plant, 30, 53, QUIET)
    assert repairs(client)[0]["check"]["state"] == "holding 12 of 30 min"
    assert plant.desk.follow_up() == []
    minutes_of(plant, 53, 90, QUIET)
    [(_, ended)] = plant.desk.follow_up()
    assert (ended.repair_id, ended.outcome) == (number, "tight again")
    [row] = repairs(client)
    assert row["check"]["outcome"] == "tight again"
    assert row["check"]["at"] == "2026-03-01T03:10:00Z"
    assert "within 3 dB of their backgrounds for 30 min" in row["check"]["sentence"]
    assert "31.0 bar" in row["check"]["sentence"]
    assert plant.desk.follow_up() == []


def test_levels_before_and_after_are_told(client: TestClient, plant: Invented) -> None:
    minutes_of(plant, 0, 30, PASSING)
    number = post(client, "repairs", **REPAIR)["id"]
    minutes_of(plant, 30, 60, QUIET)
    assert client.get(f"/api/v1/repairs/{number}").json()["details"] is None
    minutes_of(plant, 60, 90, QUIET)
    details = client.get(f"/api/v1/repairs/{number}").json()["details"]
    before, after = details["before"], details["after"]
    rises = {c["channel"]: c["rise_db"] for c in before["channels"]}
    assert (rises["AS-103"], rises["AS-102"]) == (pytest.approx(14.2, abs=0.01), pytest.approx(9.1, abs=0.01))
    assert max(c["rise_db"] for c in after["channels"]) < 1
    assert before["to"] == "2026-03-01T02:29:00Z"
    assert (after["from"], after["to"]) == ("2026-03-01T02:40:00Z", "2026-03-01T03:10:00Z")


def test_a_correction_stands_in_place_of_what_it_corrects(client: TestClient) -> None:
    first = post(client, "repairs", **REPAIR)["id"]
    second = post(client, "repairs", **REPAIR | {"work": "seat-replaced"}, supersedes=first)["id"]
    new, old = repairs(client)
    assert (new["id"], new["supersedes"], new["stands"]) == (second, first, True)
    assert (old["superseded_by"], old["stands"], old["check"]) == (second, False, None)
    told = post(client, "repairs", 409, **REPAIR, supersedes=first)
    assert "corrected already" in told["detail"]


def test_what_is_taken_back_counts_for_nothing(client: TestClient) -> None:
    number = post(client, "findings", valve="XV-103", found="tight", who="Kari")["id"]
    post(client, f"findings/{number}/withdraw", operator="Kari", note="other valve")
    assert [r["stands"] for r in client.get("/api/v1/findings").json()["findings"]] == [False, False]


def test_work_on_the_sensor_is_not_checked(client: TestClient) -> None:
    post(client, "repairs", **REPAIR | {"work": "sensor-remounted"})
    assert repairs(client)[0]["check"] is None


@pytest.mark.parametrize(
    ("path", "body", "status", "why"),
    [
        ("repairs", REPAIR | {"valve": "XV-999"}, 404, "no valve"),
        ("repairs", REPAIR | {"at": "2026-03-02T00:00:00Z"}, 409, "future"),
        ("repairs", REPAIR | {"at": "yesterday"}, 422, "RFC 3339"),
        ("repairs", REPAIR | {"work": "prayed"}, 422, "seat-lapped"),
        ("repairs", REPAIR | {"who": " "}, 422, "who"),
        ("repairs", REPAIR | {"cost": {"amount": "12,5", "currency": "EUR"}}, 422, "no amount"),
        ("findings", {"valve": "XV-103", "found": "wrong-valve", "who": "K"}, 409, "which one passes"),
        ("findings", REPAIR | {"found": "tight", "source": "XV-101"}, 409, "wrong valve"),
        ("findings/7/withdraw", {"operator": "K", "note": "x"}, 409, "no finding 7"),
    ],
)  # fmt: skip
def test_nonsense_is_refused_with_the_reason(
    client: TestClient, path: str, body: dict[str, Any], status: int, why: str
) -> None:
    assert why in str(post(client, path, status, **body))


def test_pages_and_filter(client: TestClient) -> None:
    for valve in ("XV-101", "XV-102", "XV-101", "XV-103"):
        post(client, "findings", valve=valve, found="passing", who="Kari")
    first = client.get("/api/v1/findings?limit=3").json()
    rest = client.get(first["next"]).json()
    assert [r["id"] for r in first["findings"] + rest["findings"]] == [4, 3, 2, 1]
    assert rest["next"] is None
    assert [r["id"] for r in client.get("/api/v1/findings?valve=XV-101").json()["findings"]] == [3, 1]


def test_the_certificate_of_a_repair_that_has_proved_itself(client: TestClient, plant: Invented) -> None:
    minutes_of(plant, 0, 30, PASSING)
    number = post(client, "repairs", **REPAIR)["id"]
    early = client.get(f"/api/v1/repairs/{number}/certificate")
    assert (early.status_code, "not ended yet" in early.json()["detail"]) == (409, True)
    minutes_of(plant, 30, 90, QUIET)
    done = client.get(f"/api/v1/repairs/{number}/certificate?paper=Letter")
    assert (done.status_code, done.headers["content-type"]) == (200, "application/pdf")
    assert done.content.startswith(b"%PDF-")
    assert client.get("/api/v1/repairs/99/certificate").status_code == 404
