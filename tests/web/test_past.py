"""Looking back: what is shown of a past moment is what was shown at it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.publish.reading import NOT_ON_RECORD
from hissmark.publish.times import rfc3339
from hissmark.store.blocks import CODES, LEVELS, Block
from hissmark.store.ticked import blocks_of
from hissmark.web import create_app
from support.invented import (
    CONTESTED,
    DEAD,
    MINUTE_US,
    NO_DIFFERENCE,
    OPEN,
    OUTSIDE,
    PASSING,
    QUIET,
    START_US,
    TWO,
    Invented,
    SetClock,
    invented,
    tick_of,
)

SCENES = (QUIET, PASSING, OUTSIDE, OPEN, DEAD, NO_DIFFERENCE, CONTESTED, TWO)


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    """Two groups; the clock stands two hours after the story."""
    with invented(
        tmp_path, {"North": 5, "South yard": 5}, clock=SetClock(START_US + 120 * MINUTE_US)
    ) as made:
        yield made


@pytest.fixture
def client(plant: Invented) -> Iterator[TestClient]:
    with TestClient(create_app(plant.context), raise_server_exceptions=False) as made:
        yield made


def at(minute: float) -> str:
    return rfc3339(START_US + round(minute * MINUTE_US))


def get(client: TestClient, path: str, minute: float, **more: str) -> Any:
    answer = client.get(f"/api/v1/{path}", params={"at": at(minute), **more})
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.mark.parametrize("minute", range(len(SCENES)))
def test_the_past_reads_as_it_did(plant: Invented, client: TestClient, minute: int) -> None:
    """Every field of a reading comes back from the history; each scene has explanations of its own."""
    shown = []
    for i, scene in enumerate(SCENES):
        plant.tick({"North": scene}, START_US + i * MINUTE_US)
        shown.append(client.get("/api/v1/groups/North").json())
    then = get(client, "groups/North", minute + 0.5)
    changing = {"fresh", "last_heard", "now"}
    assert {k: v for k, v in then.items() if k not in changing} == {
        k: v for k, v in shown[minute].items() if k not in changing
    }
    assert (then["now"], then["fresh"]) == (at(minute + 0.5), True)


def test_the_whole_page_of_a_moment(plant: Invented, client: TestClient) -> None:
    plant.tick({"North": QUIET, "South yard": PASSING}, START_US)
    plant.tick({"North": PASSING}, START_US + MINUTE_US)
    then = get(client, "now", 0.2)
    assert then["at"] == at(0.2)
    assert [g["explanation"]["kind"] for g in then["groups"]] == ["nothing", "one passing"]
    assert [g["at"] for g in get(client, "now", 1)["groups"]] == [at(1), at(0)]
    of_one = get(client, "now", 1, group="North")
    assert [g["group"] for g in of_one["groups"]] == ["North"]
    assert of_one["group_names"] == ["North", "South yard"]


def test_ticks_that_are_not_saved_yet_can_be_looked_back_at(plant: Invented, client: TestClient) -> None:
    """The history is written every half minute; what was judged since is in the worker's hands."""
    plant.live.unsaved.add(
        tick_of(plant.layout, {"North": scene}, START_US + i * MINUTE_US)
        for i, scene in enumerate((QUIET, PASSING))
    )
    assert get(client, "groups/North", 0)["explanation"]["kind"] == "nothing"
    assert get(client, "groups/North", 1)["explanation"]["source"] == "XV-103"
    plant.live.unsaved.clear()
    assert get(client, "groups/North", 1)["at"] == ""


def test_a_moment_without_record_says_so_and_is_not_fresh(plant: Invented, client: TestClient) -> None:
    plant.tick({"North": PASSING}, START_US)
    for minute in (-1, 61):
        then = get(client, "groups/North", minute)
        assert (then["at"], then["fresh"]) == ("", False)
        assert "Nothing is on record" in then["explanation"]["sentence"]
    stood_still = get(client, "groups/North", 30)
    assert (stood_still["at"], stood_still["fresh"]) == (at(0), False)


def test_alarms_stand_as_they_stood(plant: Invented, client: TestClient) -> None:
    """Raised at -12 min, acknowledged at 0, shelved at 1, back at 2, gone at 3: each has its state."""

    def move(minute: float) -> None:
        plant.clock.at_us = START_US + round(minute * MINUTE_US)

    move(0)
    plant.raise_alarm("XV-103", ago_min=12)
    plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-103", AlarmKind.PASSING, "Kari", "fitter called"))
    move(1)
    until_us = START_US + 60 * MINUTE_US
    plant.act(ActionRequest(ActionKind.SHELVE, "XV-103", AlarmKind.PASSING, "Ola", "scaffold", until_us))
    move(2)
    plant.act(ActionRequest(ActionKind.UNSHELVE, "XV-103", AlarmKind.PASSING, "Ola"))
    move(3)
    plant.clear_alarm("XV-103")
    move(120)

    def states(minute: float) -> list[tuple[str, bool, str]]:
        return [(a["state"], a["active"], a["operator"]) for a in get(client, "now", minute)["alarms"]]

    assert states(-13) == []
    assert states(-5) == [("unacknowledged", True, "")]
    assert states(0.5) == [("acknowledged", True, "Kari")]
    [shelved] = get(client, "now", 1.5)["alarms"]
    assert (shelved["state"], shelved["shelved_until"], shelved["comment"]) == ("shelved", at(60), "scaffold")
    assert shelved["raised_at"] == at(-12)
    assert "for 13 min" in shelved["sentence"]
    assert states(2.5) == [("unacknowledged", True, "Ola")]
    assert states(3.5)[0][:2] == ("rtn-unacknowledged", False)
    assert [e["event"] for e in get(client, "now", 1.5)["journal"]] == ["shelved", "acknowledged", "raised"]
    assert get(client, "now", 1.5, group="South yard")["alarms"] == []


def test_a_history_of_an_older_version_shows_what_it_has(plant: Invented, client: TestClient) -> None:
    """Blocks without explanation, health and scatter: levels and verdicts stand, the rest is missing."""
    [(group, block)] = blocks_of([tick_of(plant.layout, {"North": PASSING}, START_US)], plant.layout)
    old = Block(block.channels, block.time_us, **{name: block.column(name) for name in (*LEVELS, *CODES)})
    with plant.writer.transaction() as tx:
        tx.ticks([(group, old)])
    then = get(client, "groups/North", 0)
    assert then["explanation"]["kind"] == NOT_ON_RECORD
    assert "not on record" in then["explanation"]["sentence"]
    row = then["channels"][2]
    assert (row["verdict"], row["rise_db"], row["health"]) == ("passing", pytest.approx(14.2), NOT_ON_RECORD)
    assert (row["scale_db"], row["last_heard"]) == (None, None)


def test_a_channel_that_left_the_register_is_left_out(plant: Invented, client: TestClient) -> None:
    [(group, block)] = blocks_of([tick_of(plant.layout, {"North": PASSING}, START_US)], plant.layout)
    names = ("gone", *block.channels[1:])
    renamed = Block.of(names, block.time_us, {n: block.column(n) for n in (*LEVELS, *CODES)}, block.of_group)
    with plant.writer.transaction() as tx:
        tx.ticks([(group, renamed)])
    rows = get(client, "groups/North", 0)["channels"]
    assert [r["channel"] for r in rows] == [f"AS-10{i}" for i in range(1, 6)] + ["AR-101"]
    assert (rows[0]["level_db"], rows[0]["verdict"]) == (None, "not testable")
    assert np.isfinite(rows[1]["level_db"])


@pytest.mark.parametrize("path", ["now", "groups/North", "valves/XV-103/explain"])
def test_a_moment_that_is_none_is_refused(client: TestClient, path: str) -> None:
    for text in ("yesterday", "2026-03-01T02:14:00", "9" * 60):
        assert client.get(f"/api/v1/{path}", params={"at": text}).status_code == 422


def test_what_lies_ahead_is_now(plant: Invented, client: TestClient) -> None:
    plant.tick({"North": QUIET, "South yard": QUIET})
    assert get(client, "now", 500)["at"] is None
    assert client.get("/api/v1/now", params={"group": "Nowhere"}).status_code == 404
