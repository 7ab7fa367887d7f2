"""Register and baselines in hand at a running service, by its API: changes count, and are on record."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from cli.known_site import hissmark
from hissmark.daemon.service import Daemon
from hissmark.site.load import load_site
from support.broker import Broker, free_port
from support.recorded import recording, write_site
from support.rig import LEARNED_S

pytestmark = pytest.mark.broker

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
WHY = {"operator": "M. Okafor", "comment": "looked at it"}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, module_broker: Broker) -> Path:
    """Five channels that have learned."""
    mqtt = (
        f'[mqtt]\nhost = "{module_broker.host}"\nport = {module_broker.port}\nclient_id = "hissmark-upkeep"\n'
    )
    source = '[[mqtt.source]]\nfilter = "plant/+/levels"\nformat = "senml"\n'
    folder = tmp_path_factory.mktemp("upkeep") / "north"
    write_site(folder, f"{mqtt}{source}[http]\nport = {free_port()}\n")
    with recording(folder) as rig:
        rig.run(LEARNED_S, dict(BASE), {"ZT-1": 0.5})
        rig.save()
    return folder


@pytest.fixture(scope="module")
def module_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with Broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@pytest.fixture(scope="module")
def api(site: Path) -> Iterator[httpx.Client]:
    daemon = Daemon(load_site(site))
    daemon.start()
    with httpx.Client(base_url=f"{daemon.address}/api/v1", timeout=30) as client:
        yield client
    daemon.stop()


def baseline(api: httpx.Client, channel: str) -> dict[str, Any]:
    found: dict[str, Any] = api.get(f"/baselines/{channel}").json()["baselines"][0]
    return found


def do(api: httpx.Client, channel: str, what: str, status: int = 200, **more: Any) -> dict[str, Any]:
    done = api.post(f"/baselines/{channel}/{what}", json={**WHY, **more})
    assert done.status_code == status, done.text
    found: dict[str, Any] = done.json()
    return found


def test_baselines_are_told(api: httpx.Client) -> None:
    rows = api.get("/baselines").json()["baselines"]
    told = {b["channel"]: (b["state"], b["value_db"]) for b in rows}
    for name, level in BASE.items():
        state, value = told[name]
        assert state == "tracking"
        assert value == pytest.approx(level - 0.5, abs=1.0)  # the floor lies a little below the level
    one = baseline(api, "XV-1")
    assert one["floors"] >= one["needs"]
    assert one["since"] == "2026-03-01T00:10:00Z"
    assert one["moved_db"] == pytest.approx(0.0, abs=0.5)


def test_approved_held_released(api: httpx.Client) -> None:
    assert do(api, "XV-1", "approve")["message"] == "Approve: done."
    assert baseline(api, "AE-1")["state"] == "approved"
    do(api, "AE-1", "hold")
    assert baseline(api, "AE-1")["state"] == "held"
    needs = api.get("/baselines/needs").json()["needs"]
    assert ("held by hand", "AE-1") in [(n["kind"], n["baseline"]["channel"]) for n in needs]
    do(api, "AE-1", "release")
    assert baseline(api, "AE-1")["state"] == "approved"
    changes = api.get("/baselines/XV-1").json()["changes"]
    assert [c["step"] for c in changes] == ["release", "hold", "approve"]
    assert {(c["operator"], c["comment"], c["applied"]) for c in changes} == {
        ("M. Okafor", "looked at it", True)
    }


def test_learned_anew_and_taken_from_a_period(api: httpx.Client) -> None:
    before = baseline(api, "AE-2")["value_db"]
    do(api, "AE-2", "relearn")
    assert baseline(api, "AE-2")["state"] == "learning"
    refused = do(api, "AE-2", "approve", status=409)
    assert "has not learned a baseline yet" in refused["detail"]
    period = {"from": "2026-03-01T00:20:00Z", "to": "2026-03-01T01:20:00Z", "condition": 0}
    do(api, "AE-2", "from-period", **period)
    again = baseline(api, "AE-2")
    assert again["state"] == "tracking"
    assert again["value_db"] == pytest.approx(before, abs=0.3)
    (newest, *_) = api.get("/baselines/AE-2").json()["changes"]
    assert newest["basis"]["from"] == "2026-03-01T00:20:00Z"
    assert newest["basis"]["ticks"] == pytest.approx(60, abs=2)
    nothing = {"from": "2020-01-01T00:00:00Z", "to": "2020-01-02T00:00:00Z", "condition": 0}
    assert "30 are needed" in do(api, "AE-2", "from-period", status=409, **nothing)["detail"]


def test_unknown_channel_and_missing_reason(api: httpx.Client) -> None:
    assert api.post("/baselines/XV-99/approve", json=WHY).status_code == 404
    assert api.get("/baselines/XV-99").status_code == 404
    assert api.post("/baselines/XV-1/approve", json={"operator": "x"}).status_code == 422


def look(api: httpx.Client, text: bytes) -> dict[str, Any]:
    found: dict[str, Any] = api.post("/register/look", content=text, params={"file": "sheet.csv"}).json()
    return found


def put(api: httpx.Client, looked: dict[str, Any], how: str, status: int = 200) -> dict[str, Any]:
    body = {"text": looked["text"], "base": looked["base"], "how": how, **WHY}
    done = api.post("/register/put-in-force", json=body)
    assert done.status_code == status, done.text
    found: dict[str, Any] = done.json()
    return found


def test_the_register_from_a_spreadsheet_to_a_version_and_back(api: httpx.Client, site: Path) -> None:
    text = api.get("/register/export").text
    assert api.get("/register/export").headers["content-disposition"] == 'attachment; filename="register.csv"'
    assert look(api, text.encode())["summary"] == "no change"
    spoiled = look(api, text.replace("valve,XV-2", "vlave,XV-2").encode("utf-16"))
    assert not spoiled["sound"]
    assert [(p["line"], p["field"], p["fix"]) for p in spoiled["problems"] if p["severity"] == "error"] == [
        (3, "kind", "Did you mean 'valve'?")
    ]
    header, *rows = text.splitlines()
    edited = "\n".join([f"{header};remark".replace(",", ";"), *(f"{r.replace(',', ';')};Süd" for r in rows)])
    looked = look(api, edited.encode("cp1252"))
    assert looked["sound"], looked["problems"]
    assert looked["summary"] == "5 changed"
    assert put(api, looked, "imported")["outcome"] == "in force"
    assert "Süd" in (site / "register.csv").read_text("utf-8")
    assert put(api, looked, "imported", 409)["detail"].startswith("The register has changed meanwhile")
    told = api.get("/register").json()
    assert (told["version"]["operator"], told["version"]["how"], told["waiting"]) == (
        "M. Okafor", "imported", None
    )  # fmt: skip
    back = api.post("/register/look-version", json={"version": 1}).json()
    assert back["summary"] == "5 changed"
    assert put(api, back, "rolled back")["outcome"] == "in force"
    assert api.get("/register/export").text == text
    versions = api.get("/register/versions").json()["versions"]
    assert [v["how"] for v in versions] == ["rolled back", "imported", "found in register.csv"]
    difference = api.get("/register/versions/2").json()
    assert difference["changes"][0]["cells"] == [{"column": "remark", "before": "", "after": "Süd"}]


def test_rows_added_and_a_sensor_moved_with_its_baseline_copied(api: httpx.Client) -> None:
    learned = baseline(api, "AE-4")["value_db"]
    new = {"channel": "AE-9", "kind": "valve", "valve": "XV-9", "group": "header", "position": "9"}
    looked = api.post("/register/look-rows", json={"rows": [new]}).json()
    assert [(c["change"], c["channel"]) for c in looked["changes"]] == [("added", "AE-9")]
    put(api, looked, "channels added")
    assert baseline(api, "AE-9")["state"] == "learning"
    moved = api.post("/register/look-move", json={"channel": "AE-9", "valve": "XV-4"}).json()
    assert [(c["change"], c["channel"], c["subject"]) for c in moved["changes"]] == [
        ("removed", "AE-4", "XV-4"), ("moved", "AE-9", "XV-4")
    ]  # fmt: skip
    put(api, moved, "sensor moved")
    assert api.get("/valves/XV-4").json()["valve"]["channel"] == "AE-9"
    assert baseline(api, "XV-4")["state"] == "learning"
    do(api, "XV-4", "copy", **{"from": "AE-4"})
    assert baseline(api, "XV-4")["value_db"] == pytest.approx(learned, abs=0.01)
    wrong = api.post("/register/look-move", json={"channel": "AE-77", "valve": "XV-4"})
    assert wrong.status_code == 422
    assert "There is no channel 'AE-77'" in wrong.json()["detail"]


def test_commissioning_check(api: httpx.Client) -> None:
    checks = api.get("/register/commissioning", params={"group": "header"}).json()["checks"]
    said = {c["channel"]: {p["what"]: p for p in c["points"]} for c in checks}
    assert said["AE-1"]["heard"]["standing"] == "wrong"  # the recording is long past
    assert said["AE-1"]["heard"]["found"] == "nothing arrives under AE-1"
    assert api.get("/register/commissioning", params={"group": "nowhere"}).status_code == 404


def test_valve_and_sensor_both_keep_their_history(api: httpx.Client, site: Path) -> None:
    """After the move above: XV-4 goes on from sensor to sensor, and has left nothing out or twice."""
    span = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-01T03:00:00Z", "points": "5000"}
    valve = api.get("/valves/XV-4/history", params=span).json()
    assert valve["channel"] == "AE-9"
    assert valve["ticks"] >= 80  # what AE-4 heard there
    assert len(set(valve["at"])) == len(valve["at"])
    lines = [
        json.loads(row)
        for row in hissmark("history", str(site), "XV-4", "--raw", "--json").stdout.splitlines()
    ]
    assert {row["channel"] for row in lines} == {"AE-4"}
    assert len(lines) == LEARNED_S // 10
    gone = api.get("/valves/XV-9/history", params=span).json()  # had AE-9 for a moment, and heard nothing
    assert gone["ticks"] == 0
    assert hissmark("history", str(site), "AE-4", "--raw", "--json").stdout.count("\n") == len(lines)
    assert api.get("/valves/XV-4/summary", params={**span, "every": "1h"}).status_code in (200, 422)
    assert api.get("/valves/XV-99/history").status_code == 404
