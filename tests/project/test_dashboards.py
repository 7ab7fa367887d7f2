"""The Grafana dashboards: their form, and that every query asks for something that exists."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard
from sqlalchemy import make_url

from hissmark.store import open_store
from project.test_docs import metric_names

ROOT = Path(__file__).parents[2]
BOARDS = sorted((ROOT / "deploy" / "grafana").glob("*.json"))
ROLE = (ROOT / "deploy" / "postgresql" / "reader.sql").read_text("utf-8")
SOURCES = yaml.safe_load((ROOT / "docker" / "grafana" / "datasources.yml").read_text("utf-8"))["datasources"]


def read(path: Path) -> dict[str, Any]:
    board: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return board


def panels(path: Path) -> list[dict[str, Any]]:
    return list(read(path)["panels"])


def targets(kind: str) -> Iterator[tuple[str, str]]:
    """(where, query) of every panel and variable that asks a data source of this kind."""
    for path in BOARDS:
        for panel in panels(path):
            for target in panel.get("targets", []):
                if target["datasource"]["type"] == kind:
                    query = target.get("expr") or target["rawSql"]
                    yield f"{path.stem}: {panel['title']}", query


PROMETHEUS = list(targets("prometheus"))
SQL = list(targets("grafana-postgresql-datasource"))


@pytest.mark.parametrize("path", BOARDS, ids=lambda p: p.stem)
def test_form_is_that_of_grafana(path: Path) -> None:
    """Read and written by Grafana's own types (11.1) nothing is lost: they drop what they do not know."""
    register_default_plugins()
    board = read(path)
    again = json.loads(json.dumps(Dashboard.from_json(board), cls=JSONEncoder))
    assert missing(board, again) == []


def missing(ours: Any, theirs: Any, at: str = "") -> list[str]:
    """Places of `ours` that are not in `theirs`, or differ."""
    if isinstance(ours, dict) and isinstance(theirs, dict):
        return [m for key, value in ours.items() for m in missing(value, theirs.get(key), f"{at}/{key}")]
    if isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        pairs = enumerate(zip(ours, theirs, strict=True))
        return [m for i, (a, b) in pairs for m in missing(a, b, f"{at}/{i}")]
    return [] if ours == theirs else [at]


@pytest.mark.parametrize("path", BOARDS, ids=lambda p: p.stem)
def test_panels_have_their_own_number_and_place(path: Path) -> None:
    taken: set[tuple[int, int]] = set()
    for panel in panels(path):
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24, panel["title"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert not cells & taken, panel["title"]
        taken |= cells
    numbers = [panel["id"] for panel in panels(path)]
    assert len(set(numbers)) == len(numbers)


def test_boards_and_data_sources_are_provisioned() -> None:
    """What the panels ask is a data source of the compose file; boards have names of their own."""
    known = {(s["type"], s["uid"]) for s in SOURCES}
    for path in BOARDS:
        asked = [p["datasource"] for p in panels(path) if "datasource" in p]
        asked += [v["datasource"] for v in read(path)["templating"]["list"]]
        assert {(d["type"], d["uid"]) for d in asked} <= known
    assert sorted(read(path)["uid"] for path in BOARDS) == sorted(path.stem for path in BOARDS)
    links = set(re.findall(r"/d/([\w-]+)", "".join(p.read_text("utf-8") for p in BOARDS)))
    assert links <= {path.stem for path in BOARDS}


@pytest.mark.parametrize("path", [p for p in BOARDS if "service" not in p.stem], ids=lambda p: p.stem)
def test_boards_of_valves_say_what_they_are_not(path: Path) -> None:
    assert "not proof of isolation" in path.read_text("utf-8")


@pytest.mark.parametrize(("where", "query"), PROMETHEUS, ids=[w for w, _ in PROMETHEUS])
def test_metrics_exist(where: str, query: str) -> None:
    known = metric_names()
    known |= {name + end for name in known for end in ("_bucket", "_sum", "_count")}
    named = set(re.findall(r"\bhissmark_[a-z_0-9]+\b", query))
    assert named or "up{" in query
    assert named - known == set()


@pytest.mark.skipif(not shutil.which("promtool"), reason="promtool is not installed (apt install prometheus)")
def test_prometheus_understands_every_query(tmp_path: Path) -> None:
    """As recording rules, since promtool reads those."""
    rules = [{"record": f"q{i}", "expr": query} for i, (_, query) in enumerate(PROMETHEUS)]
    file = tmp_path / "queries.yml"
    file.write_text(yaml.safe_dump({"groups": [{"name": "queries", "rules": rules}]}), "utf-8")
    done = subprocess.run(["promtool", "check", "rules", file], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert f"{len(PROMETHEUS)} rules found" in done.stdout


def in_sql(query: str) -> str:
    """As Grafana sends it: its macro for the time shown and the variables replaced."""
    shown = r"\1 BETWEEN '2026-03-01T00:00:00Z' AND '2026-03-02T00:00:00Z'"
    query = re.sub(r"\$__timeFilter\((\w+)\)", shown, query).replace("${valve:sqlstring}", "'XV-101'")
    assert "$" not in query, query
    return query


@pytest.mark.postgres
def test_the_reader_role_may_ask_every_query(postgres_url: str, tmp_path: Path) -> None:
    """Against the real views, as the role that Grafana signs in as."""
    assert SQL
    engine = open_store(postgres_url, tmp_path)
    with engine.begin() as connection:
        connection.exec_driver_sql(ROLE)
    try:
        reader = make_url(postgres_url).set(drivername="postgresql", username="hissmark_reader")
        with psycopg.connect(reader.render_as_string(False), autocommit=True) as connection:
            for _, query in SQL:
                connection.execute(in_sql(query).encode())
    finally:
        with engine.begin() as connection:
            connection.exec_driver_sql("DROP OWNED BY hissmark_reader; DROP ROLE hissmark_reader")
        engine.dispose()
