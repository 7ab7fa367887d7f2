"""`hissmark verdicts`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from cli import known_site as known
from cli.known_site import hissmark
from hissmark.cli.moments import now_us
from hissmark.store import Writer, open_store
from hissmark.store.records import CLOCK_OFFSET


def rows(*words: str) -> dict[str, dict[str, Any]]:
    done = hissmark("verdicts", *words, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return {row["valve"]: row for row in map(json.loads, done.stdout.splitlines())}


def test_one_line_a_valve_in_the_order_of_the_register(site: Path) -> None:
    """Reference points have no verdict of their own."""
    assert list(rows(str(site))) == ["XV-101", "XV-102", "XV-201", "XV-202"]


def test_the_source_and_who_hears_it(site: Path) -> None:
    found = rows(str(site))
    source, neighbour = found["XV-101"], found["XV-102"]
    assert (source["verdict"], source["source"], source["margin_db"]) == ("passing", "XV-101", 8.0)
    assert (source["level_db"], source["baseline_db"], source["rise_db"]) == (35.25, 21.0, 14.25)
    assert (source["at"], source["since"]) == ("2026-03-01T05:00:00Z", "2026-03-01T03:00:00Z")
    assert (neighbour["verdict"], neighbour["source"], neighbour["margin_db"]) == ("spill", "XV-101", None)


def test_a_valve_that_was_never_judged_is_not_called_quiet(site: Path) -> None:
    row = rows(str(site))["XV-201"]
    assert (row["verdict"], row["reason"], row["at"], row["fresh"]) == (
        "not testable",
        "no fresh data",
        None,
        False,
    )


def test_a_verdict_on_old_data_is_marked(site: Path) -> None:
    assert rows(str(site))["XV-101"]["fresh"] is False


def test_the_table_for_people(site: Path) -> None:
    text = hissmark("verdicts", str(site)).stdout
    (line,) = [row for row in text.splitlines() if "XV-101" in row and "14.2 dB" in row]
    for word in ("passing", "35.2 dB", "21.0 dB", "Not heard since: "):
        assert word in line
    assert "North works: 1 passing, 1 spill, 2 not testable." in text
    assert "not proof of isolation" in text


def test_one_group(site: Path) -> None:
    assert list(rows(str(site), "--group", "header")) == ["XV-201", "XV-202"]
    done = hissmark("verdicts", str(site), "--group", "pannel")
    assert done.returncode == 1
    assert done.stderr == "error: 'pannel' is no group of North works. Groups are: panel, header.\n"


def test_ages_are_on_the_services_clock(site: Path) -> None:
    """An invented plant runs in its own time: its newest data is seconds old there, months old here."""
    behind_us = known.START_US + known.TICKS * known.MIN + 90_000_000 - now_us()  # 90 s after the newest tick
    engine = open_store("sqlite:///data/hissmark.db", site)
    with Writer(engine, known.NAMES) as writer, writer.transaction() as tx:
        tx.meta(CLOCK_OFFSET, str(behind_us))
    engine.dispose()
    assert rows(str(site))["XV-101"]["fresh"] is True
    text = hissmark("verdicts", str(site)).stdout
    assert "Not heard since" not in text
    assert "2 h 1 min ago" in next(row for row in text.splitlines() if "14.2 dB" in row)
    recent = hissmark("alarms", str(site), "--journal", "--from", "2h").stdout
    assert [line.split()[0] for line in recent.splitlines()] == ["2026-03-01T03:02:00Z"]
