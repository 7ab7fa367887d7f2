"""Settings with versions and trials in the background, through the API of a service."""

from __future__ import annotations

import re
import time
import tomllib
from dataclasses import replace
from typing import Any

import pytest
from fastapi.testclient import TestClient

from hissmark.engine.change import Change
from hissmark.publish.times import rfc3339
from hissmark.store.changes import record_change
from hissmark.tune.runs import Runs
from hissmark.web import ActionOutcome, create_app
from support.invented import Invented

WHO = {"operator": "O. Berg", "reason": "false alarms of March"}


def get(client: TestClient, path: str, status: int = 200, **query: Any) -> Any:
    answer = client.get(f"/api/v1/{path}", params=query)
    assert answer.status_code == status, answer.text
    return answer.json()


def post(client: TestClient, path: str, body: dict[str, Any], status: int = 200) -> Any:
    answer = client.post(f"/api/v1/{path}", json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


@pytest.fixture
def client(plant: Invented) -> Any:
    """The application with a desk that takes changes up at once, as the worker would."""

    def change(wanted: Change) -> ActionOutcome:
        number = record_change(plant._engine, wanted, plant.clock.now_us())
        with plant.writer.transaction() as tx:
            tx.action_applied(number, plant.clock.now_us(), "applied")
        return ActionOutcome(True, "applied", number, plant.clock.now_us())

    runs = Runs(plant.folder, plant.clock.now_us)
    context = replace(plant.context, change=change, tuning=runs)
    with TestClient(create_app(context), raise_server_exceptions=False) as made:
        yield made
    runs.stop()


def publish(
    client: TestClient, values: dict[str, float | None], level: str = "site", subject: str = ""
) -> int:
    body = {**WHO, "settings": [{"level": level, "subject": subject, "values": values}]}
    number: int = post(client, "settings/publish", body)["versions"][0]
    return number


def in_force(client: TestClient, valve: str, **at: str) -> dict[str, tuple[float, str]]:
    rows = get(client, "settings/tuned", valve=valve, **at)["settings"]
    return {row["setting"]: (row["value"], row["level"]) for row in rows}


def test_the_narrower_level_wins_and_says_so(client: TestClient) -> None:
    assert in_force(client, "XV-103")["rise_limit_db"] == (6.0, "file")
    publish(client, {"rise_limit_db": 8.0})
    publish(client, {"rise_limit_db": 9.0}, "group", "North")
    number = publish(client, {"rise_limit_db": 11.0}, "valve", "XV-103")
    assert in_force(client, "XV-103")["rise_limit_db"] == (11.0, "valve")
    assert in_force(client, "XV-102")["rise_limit_db"] == (9.0, "group")
    assert in_force(client, "XV-203")["rise_limit_db"] == (8.0, "site")
    rows = get(client, "settings/tuned", valve="XV-103")["settings"]
    assert next(r["version"] for r in rows if r["setting"] == "rise_limit_db") == number
    publish(client, {"rise_limit_db": None}, "valve", "XV-103")
    assert in_force(client, "XV-103")["rise_limit_db"] == (9.0, "group")


def test_what_was_in_force_when_an_alarm_was_raised_stays_known(client: TestClient, plant: Invented) -> None:
    before = rfc3339(plant.clock.now_us())
    publish(client, {"rise_limit_db": 8.0})
    plant.clock.at_us += 3_600_000_000
    publish(client, {"rise_limit_db": 12.0})
    assert in_force(client, "XV-103", at=before)["rise_limit_db"] == (6.0, "file")
    between = rfc3339(plant.clock.now_us() - 1_800_000_000)
    assert in_force(client, "XV-103", at=between)["rise_limit_db"] == (8.0, "site")
    assert in_force(client, "XV-103")["rise_limit_db"] == (12.0, "site")


def test_every_version_has_author_reason_time_and_what_it_changed(client: TestClient) -> None:
    publish(client, {"rise_limit_db": 8.0})
    publish(client, {"rise_limit_db": 7.0, "margin_db": 4.0})
    newest = get(client, "settings/versions")["versions"][0]
    assert (newest["author"], newest["reason"]) == ("O. Berg", WHO["reason"])
    assert [(s["setting"], s["before"], s["after"], s["unit"]) for s in newest["steps"]] == [
        ("rise_limit_db", 8.0, 7.0, "dB"), ("margin_db", None, 4.0, "dB"),
    ]  # fmt: skip


def test_roll_back_is_a_version_that_restores_another(client: TestClient) -> None:
    first = publish(client, {"rise_limit_db": 8.0})
    publish(client, {"rise_limit_db": 7.0}, "valve", "XV-103")
    last = publish(client, {"odds_limit": 5.0})
    differing = get(client, "settings/diff", **{"from": first, "to": last})["steps"]
    assert [(s["level"], s["setting"]) for s in differing] == [
        ("site", "odds_limit"),
        ("valve", "rise_limit_db"),
    ]
    post(client, "settings/roll-back", {**WHO, "to": first})
    assert in_force(client, "XV-103")["rise_limit_db"] == (8.0, "site")
    assert in_force(client, "XV-103")["odds_limit"] == (2.0, "file")
    post(client, "settings/roll-back", {**WHO, "to": first}, 409)
    post(client, "settings/roll-back", {**WHO, "to": 0})
    assert in_force(client, "XV-103")["rise_limit_db"] == (6.0, "file")
    assert len(get(client, "settings/versions")["versions"]) == 6
    post(client, "settings/roll-back", {**WHO, "to": 4711}, 422)


def test_export_and_import_carry_everything(client: TestClient) -> None:
    publish(client, {"rise_limit_db": 8.0, "on_delay_s": 300.0})
    publish(client, {"rise_limit_db": 7.25}, "valve", "XV-103")
    text = client.get("/api/v1/settings/export").text
    assert tomllib.loads(text) == {
        "site": {"rise_limit_db": 8, "on_delay_s": 300}, "valve": {"XV-103": {"rise_limit_db": 7.25}},
    }  # fmt: skip
    publish(client, {"margin_db": 6.0}, "group", "North")
    post(client, "settings/import", {**WHO, "toml": text})
    assert client.get("/api/v1/settings/export").text.splitlines()[3:] == text.splitlines()[3:]
    assert in_force(client, "XV-103")["margin_db"] == (3.0, "file")


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ([{"values": {"rise_limit_db": 900}}], "not believable"),
        ([{"values": {"colour": 1}}], "cannot be tuned"),
        ([{"level": "valve", "subject": "XV-77", "values": {"margin_db": 4}}], "XV-77"),
        ([{"values": {"rise_limit_db": 8}}, {"values": {"deadband_db": 9}}], "would not be below"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_on_record(
    client: TestClient, settings: list[dict[str, Any]], said: str
) -> None:
    told = post(client, "settings/publish", {**WHO, "settings": settings}, 422)
    assert said in told["detail"]
    assert get(client, "settings/versions")["versions"] == []
    post(client, "settings/publish", {"operator": "O. Berg", "reason": "", "settings": settings}, 422)


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("[site\n", "not TOML"),
        ("[plant]\nrise_limit_db = 8", r"\[plant\] is not known"),
        ('[site]\nrise_limit_db = "8"', "must be a number"),
        ("[valve]\nXV-1 = 3", "must be a table"),
    ],
)
def test_a_file_that_cannot_be_taken_says_why(client: TestClient, toml: str, said: str) -> None:
    assert re.search(said, post(client, "settings/import", {**WHO, "toml": toml}, 422)["detail"])


def test_what_can_be_tuned_is_told_with_unit_range_and_meaning(client: TestClient) -> None:
    rows = get(client, "settings/tunable")["settings"]
    limit = next(r for r in rows if r["setting"] == "rise_limit_db")
    assert (limit["unit"], limit["file"]) == ("dB", 6.0)
    assert limit["low"] < 6.0 < limit["high"]
    assert "leak" in limit["says"]
    assert all(r["says"] for r in rows)


def test_a_trial_that_makes_no_sense_is_refused_and_an_unknown_one_not_found(client: TestClient) -> None:
    body = {"kind": "try", "from": "2026-02-01T00:00:00Z", "to": "2026-02-02T00:00:00Z"}
    assert "at least one changed setting" in post(client, "tuning/runs", body, 422)["detail"]
    get(client, "tuning/runs/7", 404)
    assert get(client, "tuning/runs")["runs"] == []


def test_a_trial_runs_in_a_process_of_its_own_and_can_be_called_off(
    client: TestClient, plant: Invented
) -> None:
    """The site is gone from its folder: the trial fails, and says why in words."""
    (plant.folder / "site.toml").unlink(missing_ok=True)
    body = {
        "kind": "try", "author": "O. Berg", "from": "2026-02-01T00:00:00Z", "to": "2026-03-01T00:00:00Z",
        "settings": [{"values": {"rise_limit_db": 8.0}}],
    }  # fmt: skip
    first, second = (post(client, "tuning/runs", body, 202)["id"] for _ in range(2))
    assert post(client, f"tuning/runs/{second}/call-off", {})["state"] == "called off"
    deadline_s = time.monotonic() + 30
    while get(client, f"tuning/runs/{first}")["state"] in ("waiting", "running"):
        assert time.monotonic() < deadline_s
        time.sleep(0.1)
    run = get(client, f"tuning/runs/{first}")
    assert (run["state"], run["author"], run["result"]) == ("failed", "O. Berg", None)
    assert "site.toml" in run["message"]
