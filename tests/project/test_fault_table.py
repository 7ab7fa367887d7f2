"""The table of faults in the manual is what the marked tests and their last results come to."""

from __future__ import annotations

import re

import pytest

from faults import table

HOW = "run `python tests/faults/table.py`"


def test_every_registered_fault_stands_in_the_manual() -> None:
    assert table.in_page() == table.table(), HOW


def test_every_row_says_when_it_was_seen_on_which_store() -> None:
    """Nothing red is shipped, and what was not run says so."""
    wrong = [
        (row[0], cell)
        for row in table.rows()
        for cell in row[3:]
        if not re.fullmatch(r"green on \d{4}-\d\d-\d\d|not run|–", cell)
    ]
    assert not wrong


def test_every_fault_says_what_is_promised() -> None:
    found = table.registered()
    assert len(found) >= 15
    assert [row.name for row in found if not row.promised] == []


def test_what_a_run_found_comes_into_the_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counts add up, the oldest date counts, one failure is red, a test that never ran leaves it open."""
    row = table.Fault("Pulled", "nothing lost", tests=["a::quick", "a::long"])
    ran = {
        "a::quick[sqlite]": result("sqlite", "2026-02-01", kills=2),
        "a::quick[postgres]": result("postgres", "2026-02-02", kills=3),
    }
    monkeypatch.setattr(table, "registered", lambda: [row])
    monkeypatch.setattr(table, "results", lambda: ran)
    assert table.rows() == [["Pulled", "nothing lost", "5 kills; at most 3 s", "not run", "not run"]]
    ran["a::long[sqlite]"] = result("sqlite", "2026-01-01", kills=4)
    assert table.rows()[0][2:] == ["9 kills; at most 4 s", "green on 2026-01-01", "green on 2026-02-02"]
    ran["a::long[postgres]"] = result("postgres", "2026-03-01", green=False)
    assert table.rows()[0][3:] == ["green on 2026-01-01", "red on 2026-03-01"]


def result(store: str, date: str, *, kills: int = 0, green: bool = True) -> table.Result:
    seen = {"counts": {"kills": kills}, "most": {"s": kills}, "notes": []} if green else {}
    return {"store": store, "date": date, "green": green, "seen": seen}
