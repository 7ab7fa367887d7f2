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
        for cell in row[2:]
        if not re.fullmatch(r"green, \d+ of \d+, \d{4}-\d\d-\d\d(: .+)?|not run|–", cell)
    ]
    assert not wrong


def test_every_fault_says_what_is_promised() -> None:
    found = table.registered()
    assert len(found) >= 15
    assert [row.name for row in found if not row.promised] == []


def test_what_a_run_found_comes_into_the_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each store for itself: counts add up, the oldest date counts, what was not run is counted, one failure
    is red.
    """
    row = table.Fault("Pulled", "nothing lost", tests=["a::quick", "a::long"])
    both = {f"a::{test}[{store}]": store for test in ("quick", "long") for store in table.STORES}
    ran = {
        "a::quick[sqlite]": result("sqlite", "2026-02-01", kills=2),
        "a::long[sqlite]": result("sqlite", "2026-01-01", kills=4),
    }
    monkeypatch.setattr(table, "registered", lambda: [row])
    monkeypatch.setattr(table, "collected", lambda: {**both, "a::alone": "sqlite", "b::other": "sqlite"})
    monkeypatch.setattr(table, "results", lambda: ran)
    whole = "green, 2 of 2, 2026-01-01: 6 kills; at most 4 s"
    assert table.rows() == [["Pulled", "nothing lost", whole, "not run"]]
    ran["a::quick[postgres]"] = result("postgres", "2026-02-02", kills=3)
    assert table.rows()[0][2:] == [whole, "green, 1 of 2, 2026-02-02: 3 kills; at most 3 s"]
    ran["a::long[postgres]"] = result("postgres", "2026-03-01", green=False)
    assert table.rows()[0][2:] == [whole, "red, 1 of 2, 2026-03-01"]


def test_a_test_on_both_stores_is_counted_for_each() -> None:
    found = table.collected()
    name = "tests/faults/test_commit_boundaries.py::test_killed_at_commits"
    assert [found[f"{name}[{store}]"] for store in table.STORES] == list(table.STORES)
    assert {table._function(test) for test in found} == {t for row in table.registered() for t in row.tests}


def result(store: str, date: str, *, kills: int = 0, green: bool = True) -> table.Result:
    seen = {"counts": {"kills": kills}, "most": {"s": kills}, "notes": []} if green else {}
    return {"store": store, "date": date, "green": green, "seen": seen}
