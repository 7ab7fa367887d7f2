"""The HTTP API as the contract has it: alarms, journal, valves, groups, channels, settings."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from hissmark.alarms.journal import AlarmKind, AlarmState
from support.invented import MINUTE_US, QUIET, START_US, Invented

ACK = "/api/v1/alarms/XV-103/passing/acknowledge"


def test_active_alarms_speak(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    [alarm] = client.get("/api/v1/alarms").json()["alarms"]
    assert alarm["sentence"].startswith("XV-103 is passing: 14 dB over its background for 12 min.")
    assert (alarm["state"], alarm["priority"], alarm["active"]) == ("unacknowledged", "high", True)
    assert alarm["raised_at"] == "2026-03-01T01:48:00Z"


def test_alarms_can_be_filtered(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    plant.raise_alarm("XV-201")
    assert len(client.get("/api/v1/alarms?group=North").json()["alarms"]) == 1
    assert client.get("/api/v1/alarms?state=shelved").json()["alarms"] == []


def test_acknowledging_is_on_record_before_the_answer(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    answer = client.post(ACK, json={"operator": "Kari", "comment": "fitter called"})
    assert answer.status_code == 200
    assert answer.json()["alarm"]["state"] == "acknowledged"
    action = plant.reader.action(answer.json()["action_id"])
    assert action is not None
    assert (action.request.operator, action.outcome) == ("Kari", "applied")
    newest = client.get("/api/v1/alarms/journal").json()["entries"][0]
    assert (newest["event"], newest["operator"], newest["comment"]) == (
        "acknowledged",
        "Kari",
        "fitter called",
    )


def test_second_operator_is_told_who_was_first(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    client.post(ACK, json={"operator": "Kari"})
    second = client.post(ACK, json={"operator": "Ola"})
    assert second.status_code == 409
    assert "Kari" in second.json()["detail"]
    assert plant.standing["XV-103", AlarmKind.PASSING].state is AlarmState.ACKNOWLEDGED


def test_acknowledging_needs_a_name(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    for body in ({}, {"operator": ""}, {"operator": "   "}, {"operator": "K\u0000"}):
        assert client.post(ACK, json=body).status_code == 422
    assert plant.reader.actions() == []


def test_slow_action_says_that_it_may_still_happen(client: TestClient, plant: Invented) -> None:
    def never(_request: object) -> None:
        raise TimeoutError("the worker is busy")

    from dataclasses import replace

    from hissmark.web import create_app

    slow = TestClient(create_app(replace(plant.context, act=never)))  # type: ignore[arg-type]
    answer = slow.post(ACK, json={"operator": "Kari"})
    assert answer.status_code == 503
    assert "may still happen" in answer.json()["detail"]


def test_journal_pages_do_not_overlap(client: TestClient, plant: Invented) -> None:
    for i in range(25):
        plant.raise_alarm("XV-103", ago_min=100 - i)
    seen: list[int] = []
    path = "/api/v1/alarms/journal?limit=10"
    while path:
        page = client.get(path).json()
        seen += [entry["seq"] for entry in page["entries"]]
        path = page["next"]
    assert seen == list(range(25, 0, -1))


def test_journal_forward_from_a_seq(client: TestClient, plant: Invented) -> None:
    for i in range(5):
        plant.raise_alarm("XV-103", ago_min=100 - i)
    page = client.get("/api/v1/alarms/journal?after=2&limit=2").json()
    assert [e["seq"] for e in page["entries"]] == [3, 4]
    assert [e["seq"] for e in client.get(page["next"]).json()["entries"]] == [5]


def test_journal_filters(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    plant.raise_alarm("XV-201", alarm=AlarmKind.CONTESTED)
    for query, count in (("valve=XV-201", 1), ("alarm=passing", 1), ("event=cleared", 0), ("group=North", 1)):
        assert len(client.get(f"/api/v1/alarms/journal?{query}").json()["entries"]) == count, query
    span = "from=2026-03-01T01:00:00Z&to=2026-03-01T01:30:00Z"
    assert client.get(f"/api/v1/alarms/journal?{span}").json()["entries"] == []


def test_valves_page_by_page(client: TestClient) -> None:
    first = client.get("/api/v1/valves?limit=7").json()
    second = client.get(first["next"]).json()
    tags = [v["valve"] for v in first["valves"] + second["valves"]]
    assert tags == [f"XV-{g}{i:02d}" for g in (1, 2) for i in range(1, 6)]
    assert second["next"] is None


def test_valves_by_verdict(client: TestClient) -> None:
    rows = client.get("/api/v1/valves?verdict=passing").json()["valves"]
    assert [(v["valve"], v["group"]) for v in rows] == [("XV-103", "North")]
    assert client.get("/api/v1/valves?verdict=leaking").status_code == 422


def test_one_valve_with_its_group_and_register_row(client: TestClient, plant: Invented) -> None:
    plant.raise_alarm("XV-103")
    found = client.get("/api/v1/valves/XV-103").json()
    assert found["valve"]["verdict"] == "passing"
    assert found["valve"]["rise_db"] == pytest.approx(14.2)
    assert found["group"]["explanation"]["source"] == "XV-103"
    assert found["register"]["closed_when"] == "ZT-103 < 2"
    assert [a["valve"] for a in found["alarms"]] == ["XV-103"]


def test_group_by_a_name_with_a_space(client: TestClient) -> None:
    assert client.get("/api/v1/groups/South%20yard").json()["group"] == "South yard"


def test_a_group_before_its_first_tick_says_so(tmp_path: object, plant: Invented, client: TestClient) -> None:
    plant.live._readings.clear()
    reading = client.get("/api/v1/groups/North").json()
    assert reading["at"] == ""
    assert {c["verdict"] for c in reading["channels"]} == {"not testable"}


def test_freshness_is_told_at_the_moment_of_asking(client: TestClient, plant: Invented) -> None:
    assert client.get("/api/v1/groups/North").json()["fresh"] is True
    plant.clock.at_us += 10 * MINUTE_US
    late = client.get("/api/v1/groups/North").json()
    assert late["fresh"] is False
    assert late["last_heard"] == "2026-03-01T02:00:00Z"


def test_channels_tell_health_and_register(client: TestClient) -> None:
    rows = client.get("/api/v1/channels").json()["channels"]
    assert len(rows) == 12
    assert rows[0]["source"] == "AS-101"
    assert rows[0]["health"] == "well"


def test_unknown_names_and_rejects(client: TestClient, plant: Invented) -> None:
    from hissmark.decode.columns import Reject, RejectReason, UnknownName

    with plant.writer.transaction() as tx:
        tx.unknown({"XX": UnknownName("XX", "plant/1", START_US, START_US, 3, 21.0)})
        tx.rejects([Reject("plant/2", START_US, RejectReason.NOT_JSON, "not JSON", b"\xff\x00{")])
    assert client.get("/api/v1/unknown-names").json()["names"][0]["name"] == "XX"
    reject = client.get("/api/v1/rejects").json()["rejects"][0]
    assert (reject["reason"], reject["head"]) == ("not-json", "ff007b")


def test_settings_are_those_of_the_context(client: TestClient) -> None:
    assert client.get("/api/v1/settings").json()["name"] == "North works"


def test_history_of_a_valve(client: TestClient, plant: Invented) -> None:
    for minute in range(60, 0, -1):
        plant.tick({"North": QUIET}, START_US - minute * MINUTE_US)
    plant.raise_alarm("XV-103", ago_min=1)
    found = client.get(
        "/api/v1/valves/XV-103/history?from=2026-03-01T00:30:00Z&to=2026-03-01T02:05:00Z"
    ).json()
    assert found["ticks"] == 61
    assert found["verdicts"][0]["value"] == "quiet"
    assert found["verdicts"][-1]["value"] == "passing"
    assert found["open"][0]["value"] == "closed"
    assert [m["event"] for m in found["marks"]] == ["raised"]
    assert len(found["at"]) == len(found["columns"]["level_db"])


def test_readings_answer_what_openapi_says(client: TestClient) -> None:
    """Every required property of the documented shape is in the answer, with no others."""
    spec = client.get("/api/v1/openapi.json").json()["components"]["schemas"]
    reading = client.get("/api/v1/groups/North").json()
    assert set(reading) == set(spec["LiveReading"]["required"])
    assert set(reading["channels"][0]) == set(spec["ChannelReading"]["required"])
