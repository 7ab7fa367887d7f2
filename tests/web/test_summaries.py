"""A valve's history by periods over HTTP: JSON, CSV, pages."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from hissmark.web import create_app
from hissmark.web.api.summaries import prefers_csv
from support.invented import MINUTE_US, PASSING, QUIET, START_US, Invented, invented

PATH = "/api/v1/valves/XV-103/summary"


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    """Three hours up to 02:00: XV-103 quiet for two, then passing with a rise of 14.2 dB over 23 dB."""
    with invented(tmp_path, {"North": 5}) as made:
        for minute in range(180, 0, -1):
            made.tick({"North": PASSING if minute <= 60 else QUIET}, START_US - minute * MINUTE_US)
        yield made


@pytest.fixture
def client(plant: Invented) -> Iterator[TestClient]:
    with TestClient(create_app(plant.context), raise_server_exceptions=False) as made:
        yield made


def periods(client: TestClient, query: str = "") -> list[dict[str, Any]]:
    answer = client.get(PATH + query)
    assert answer.status_code == 200
    found: list[dict[str, Any]] = answer.json()["periods"]
    return found


def test_hour_by_hour(client: TestClient) -> None:
    found = periods(client)
    assert [(row["start"], row["ticks"]) for row in found] == [
        ("2026-02-28T23:00:00Z", 60), ("2026-03-01T00:00:00Z", 60), ("2026-03-01T01:00:00Z", 60),
    ]  # fmt: skip
    last = found[-1]
    assert (last["mean_db"], last["rise_mean_db"], last["rise_max_db"]) == (37.2, 14.2, 14.2)
    assert [row["share_passing"] for row in found] == [0, 0, 1]


def test_without_from_it_is_the_last_24_periods(client: TestClient) -> None:
    """The clock stands at 02:00, so 24 periods of five minutes reach back to 00:05."""
    found = periods(client, "?every=5min")
    assert (found[0]["start"], len(found)) == ("2026-03-01T00:05:00Z", 23)


def test_pages_join_without_gap_or_double(client: TestClient) -> None:
    query = "?every=10min&from=2026-02-28T23:00:00Z"
    whole = periods(client, query)
    address, gathered = f"{PATH}{query}&limit=7", []
    while address:
        answer = client.get(address).json()
        assert len(answer["periods"]) <= 7
        gathered += answer["periods"]
        address = answer["next"]
    assert gathered == whole
    assert len(whole) == 18


@pytest.mark.parametrize(
    ("query", "headers"),
    [("?format=csv", {}), ("", {"Accept": "text/csv"}), ("?format=csv", {"Accept": "application/json"})],
)
def test_csv_says_what_json_says(client: TestClient, query: str, headers: dict[str, str]) -> None:
    answer = client.get(PATH + query, headers=headers)
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["vary"].startswith("Accept")
    lines = list(csv.DictReader(io.StringIO(answer.text)))
    wanted = periods(client)
    assert [list(line) for line in lines] == [list(row) for row in wanted]
    assert [float(line["mean_db"]) for line in lines] == [row["mean_db"] for row in wanted]
    assert "\r\n" in answer.text  # RFC 4180, section 2


def test_csv_pages_by_link_header(client: TestClient) -> None:
    """RFC 8288, section 3."""
    answer = client.get(f"{PATH}?format=csv&limit=2")
    (link,) = answer.links.values()
    assert link["rel"] == "next"
    rest = client.get(link["url"])
    assert [row["start"] for row in csv.DictReader(io.StringIO(rest.text))] == ["2026-03-01T01:00:00Z"]
    assert "link" not in rest.headers


def test_nothing_on_record_is_an_empty_answer(client: TestClient) -> None:
    span = "from=2020-01-01T00:00:00Z&to=2020-01-02T00:00:00Z"
    assert client.get(f"{PATH}?{span}").json()["periods"] == []
    assert client.get(f"{PATH}?{span}&format=csv").text.startswith("start,end,ticks,mean_db,")


def test_a_damaged_hour_is_said_and_the_rest_is_there(client: TestClient, plant: Invented) -> None:
    blocks = list(plant.reader.blocks("North", 0, START_US))
    middle = blocks[1]
    broken = replace(middle, payload=middle.payload[:-1] + bytes([middle.payload[-1] ^ 1]))
    with plant.writer.transaction() as tx:
        tx.blocks([broken])
    answer = client.get(PATH).json()
    assert [row["start"][11:13] for row in answer["periods"]] == ["23", "01"]
    (sentence,) = answer["damaged"]
    assert sentence.startswith("History of group North from 2026-03-01T00:00:00Z on is damaged: ")
    assert client.get(f"{PATH}?format=csv").headers["hissmark-damaged"] == "1"


@pytest.mark.parametrize("every", ["1month", "30s", "99d", "", "-1h", "1" * 19 + "h"])
def test_a_period_that_cannot_be_is_named(client: TestClient, every: str) -> None:
    answer = client.get(PATH, params={"every": every})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "query.every"


def test_an_unknown_valve_is_a_404(client: TestClient) -> None:
    assert client.get("/api/v1/valves/nobody/summary").status_code == 404


@pytest.mark.parametrize(
    ("accept", "csv_wanted"),
    [
        ("", False), ("*/*", False), ("text/csv", True), ("text/csv, */*;q=0.1", True),
        ("application/json, text/csv;q=0.5", False), ("text/csv;q=0", False),
        ("TEXT/CSV ; header=present", True),
        ("application/json;q=0.2,text/csv;q=0.3", True), ("text/csv;q=nonsense", False),
    ],
)  # fmt: skip
def test_accept(accept: str, csv_wanted: bool) -> None:
    """RFC 9110, section 12.5.1: quality decides; without a wish it is JSON."""
    assert prefers_csv(accept) is csv_wanted


def test_the_service_starts_without_loading_pandas() -> None:
    code = "import sys, hissmark.daemon.service; print('pandas' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
