"""Shelving, several at once, figures, handover, notifications: through the API, over a real store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from hissmark.alarms.journal import ActionKind, ActionRequest
from hissmark.store.notes import add_note
from hissmark.web import ActionOutcome, create_app
from support.invented import START_US, Invented, invented

HOUR_US = 3_600_000_000


class Service:
    """Notes what is asked of it; acknowledgements are carried out for real."""

    def __init__(self, plant: Invented) -> None:
        self.plant, self.asked = plant, list[ActionRequest]()

    def act(self, request: ActionRequest) -> ActionOutcome:
        self.asked.append(request)
        if request.kind is ActionKind.ACKNOWLEDGE:
            return self.plant.act(request)
        return ActionOutcome(True, "done", len(self.asked), START_US)


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 3, "South yard": 3}) as made:
        yield made


@pytest.fixture
def service(plant: Invented) -> Service:
    return Service(plant)


@pytest.fixture
def client(plant: Invented, service: Service) -> Iterator[TestClient]:
    def note(author: str, text: str, valve: str | None) -> object:
        return add_note(plant._engine, author, text, valve, plant.clock.now_us())

    context = replace(plant.context, act=service.act, write_note=note)  # type: ignore[arg-type]
    with TestClient(create_app(context), raise_server_exceptions=False) as made:
        yield made


def test_the_end_of_a_shelving_is_stamped_by_the_service(client: TestClient, service: Service) -> None:
    body = {"operator": "op", "comment": "steam trap", "for_s": 3600}
    assert client.post("/api/v1/alarms/XV-101/passing/shelve", json=body).status_code == 200
    (asked,) = service.asked
    assert (asked.kind, asked.until_us, asked.comment) == (
        ActionKind.SHELVE,
        START_US + HOUR_US,
        "steam trap",
    )


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"operator": "op", "comment": "x", "for_s": 43_201}, "body.for_s"),
        ({"operator": "op", "comment": "x", "for_s": 59}, "body.for_s"),
        ({"operator": "op", "comment": "", "for_s": 600}, "body.comment"),
        ({"operator": "op", "for_s": 600}, "body.comment"),
        ({"operator": "op", "comment": "x"}, "body.for_s"),
    ],
)
def test_shelving_needs_a_reason_and_a_time_within_bounds(
    client: TestClient, service: Service, body: dict[str, object], where: str
) -> None:
    answer = client.post("/api/v1/alarms/XV-101/passing/shelve", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == where
    assert service.asked == []


@pytest.mark.parametrize("kind", ["unshelve", "take-out-of-service", "return-to-service"])
def test_the_other_actions_reach_the_service(client: TestClient, service: Service, kind: str) -> None:
    body = {"operator": "op", "comment": "why"}
    assert client.post(f"/api/v1/alarms/XV-101/passing/{kind}", json=body).status_code == 200
    assert service.asked[0].kind == kind
    assert client.post(f"/api/v1/alarms/XV-999/passing/{kind}", json=body).status_code == 404


def test_several_are_acknowledged_at_once_and_each_says_what_became_of_it(
    client: TestClient, plant: Invented
) -> None:
    plant.raise_alarm("XV-101")
    plant.raise_alarm("XV-102")
    wanted = [{"valve": v, "alarm": "passing"} for v in ("XV-101", "XV-103", "XV-102", "XV-101")]
    done = client.post("/api/v1/alarms/acknowledge", json={"operator": "op", "alarms": wanted}).json()
    assert done["applied"] == 2
    assert [(a["valve"], a["applied"]) for a in done["actions"]] == [
        ("XV-101", True), ("XV-103", False), ("XV-102", True),
    ]  # fmt: skip
    assert "no alarm to acknowledge" in done["actions"][1]["message"]
    assert {a["state"] for a in client.get("/api/v1/alarms").json()["alarms"]} == {"acknowledged"}


@pytest.mark.parametrize("alarms", [[], [{"valve": "XV-101", "alarm": "passing"}] * 201, [{"valve": "XV-1"}]])
def test_nothing_and_too_many_are_refused(client: TestClient, alarms: list[object]) -> None:
    answer = client.post("/api/v1/alarms/acknowledge", json={"operator": "op", "alarms": alarms})
    assert answer.status_code == 422


def test_figures_count_what_the_journal_holds(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-101", ago_min=26 * 60)
    for _ in range(3):
        plant.raise_alarm("XV-201", ago_min=5)
        plant.clear_alarm("XV-201")
        plant.clock.at_us += 10 * 60_000_000
    found = client.get("/api/v1/figures").json()
    assert (found["alarms"], found["standing"], found["stale_count"]) == (4, 1, 1)
    assert (found["recorded_since"], found["enough"]) == ("2026-02-28T00:00:00Z", False)
    assert found["stale"][0]["valve"] == "XV-101"
    assert [(a["valve"], a["count"], a["share"]) for a in found["frequent"]] == [
        ("XV-201", 3, 0.75),
        ("XV-101", 1, 0.25),
    ]
    assert [a["valve"] for a in found["chattering"]] == ["XV-201"]
    assert found["chatter_s"] == 3 * (120 + 600 + 120)
    assert found["per_hour"]["mean"] == pytest.approx(4 / 720, abs=1e-6)
    assert found["targets"]["per_hour"] == {"acceptable": 6.0, "most": 12.0}
    south = client.get("/api/v1/figures", params={"group": "South yard"}).json()
    assert (south["alarms"], south["standing"]) == (3, 0)


def test_figures_of_a_span_know_what_stood_before(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-101", ago_min=120)
    found = client.get("/api/v1/figures", params={"from": "2026-03-01T01:00:00Z"}).json()
    assert (found["alarms"], found["standing"], found["enough"]) == (0, 1, False)
    wrong = client.get("/api/v1/figures", params={"from": "2026-03-01T03:00:00Z"})
    assert (wrong.status_code, wrong.json()["errors"][0]["where"]) == (422, "query.from")


def test_a_shift_is_handed_over_with_its_notes(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-101", ago_min=13 * 60)
    plant.raise_alarm("XV-201", ago_min=30)
    note = {"operator": "J. Lind", "text": "XV-201 is due for repair on Monday", "valve": "XV-201"}
    written = client.post("/api/v1/handover/notes", json=note)
    assert (written.status_code, written.json()["author"]) == (201, "J. Lind")
    plant.clock.at_us += 1_000_000
    shift = client.get("/api/v1/handover").json()
    assert [shift[part]["count"] for part in ("stood", "came", "went", "stand")] == [1, 1, 0, 2]
    assert [n["text"] for n in shift["notes"]] == [note["text"]]
    assert "Came: 1" in shift["text"]
    assert "J. Lind, XV-201: XV-201 is due for repair on Monday" in shift["text"]
    assert client.get("/api/v1/handover/notes", params={"limit": 1}).json()["notes"] == shift["notes"]
    assert client.post("/api/v1/handover/notes", json={**note, "valve": "XV-9"}).status_code == 404
    assert client.post("/api/v1/handover/notes", json={**note, "text": ""}).status_code == 422


def test_without_receivers_nobody_is_told(client: TestClient) -> None:
    assert client.get("/api/v1/notifications").json() == {"receivers": [], "messages": [], "next": None}


def test_figures_mean_something_once_thirty_days_are_on_record(client: TestClient, plant: Invented) -> None:
    plant.hear(["AS-101"], START_US - 31 * 24 * HOUR_US)
    assert client.get("/api/v1/figures").json()["enough"]
    found = client.get("/api/v1/figures", params={"from": "2026-02-20T00:00:00Z"}).json()
    assert not found["enough"]
