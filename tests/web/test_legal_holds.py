"""Legal holds over the API: administrators place and release them, on record; nobody else may."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from hissmark.access.roles import Role
from hissmark.web import create_app
from support.invented import Invented, invented
from support.people import People, by_token

HOLD = {"since": "2026-01-01T00:00:00Z", "until": "2026-02-01T00:00:00Z", "reason": "insurance case"}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[tuple[Invented, People]]:
    with invented(tmp_path, {"North": 3}) as plant:
        people = People(tmp_path).everybody()
        yield plant, people
        people.close()


def client_of(house: tuple[Invented, People], role: Role) -> TestClient:
    plant, people = house
    made = TestClient(create_app(replace(plant.context, book=people.book)))
    made.headers.update(by_token(people.token(role)))
    return made


def test_placed_shown_and_released(house: tuple[Invented, People]) -> None:
    with client_of(house, Role.ADMINISTRATOR) as client:
        placed = client.post("/api/v1/legal-holds", json=HOLD | {"valve": "XV-101"})
        assert (placed.status_code, placed.json()) == (201, {"number": 1})
        (hold,) = client.get("/api/v1/legal-holds").json()["holds"]
        assert (hold["valve"], hold["since"], hold["reason"]) == ("XV-101", HOLD["since"], HOLD["reason"])
        assert hold["released_at"] is None
        who = hold["placed_by"]
        assert client.post("/api/v1/legal-holds/1/release", json={"operator": "somebody else"}).is_success
        assert client.post("/api/v1/legal-holds/1/release", json={}).status_code == 404
        (hold,) = client.get("/api/v1/legal-holds").json()["holds"]
        assert hold["released_by"] == who != "somebody else"  # who is signed in, whatever is claimed
        audit = [(e["event"], e["who"]) for e in client.get("/api/v1/audit").json()["entries"]]
    assert ("hold-placed", who) in audit
    assert ("hold-released", who) in audit


@pytest.mark.parametrize("role", [Role.VIEWER, Role.OPERATOR, Role.ENGINEER])
def test_others_may_not(house: tuple[Invented, People], role: Role) -> None:
    with client_of(house, role) as client:
        assert client.post("/api/v1/legal-holds", json=HOLD).status_code == 403
        assert client.get("/api/v1/legal-holds").status_code == 403
        assert client.post("/api/v1/legal-holds/1/release", json={}).status_code == 403


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"until": HOLD["since"]}, 422),
        ({"since": "yesterday"}, 422),
        ({"reason": ""}, 422),
        ({"valve": "XV-9"}, 404),
    ],
)
def test_what_makes_no_sense_is_refused(
    house: tuple[Invented, People], change: dict[str, str], status: int
) -> None:
    with client_of(house, Role.ADMINISTRATOR) as client:
        assert client.post("/api/v1/legal-holds", json=HOLD | change).status_code == status
        assert client.get("/api/v1/legal-holds").json()["holds"] == []
