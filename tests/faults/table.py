"""Writes the table of faults in service/docs/faults.md: `python tests/faults/table.py`.

A row for each fault that a test is marked with (`support.faults.fault`); what was seen and when comes from
`results.jsonl`, one line a test, which a run with `--fault-table` writes. Nothing in it is written by hand.
"""

from __future__ import annotations

import ast
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
PAGE = TESTS.parent / "service" / "docs" / "faults.md"
RESULTS = Path(__file__).with_name("results.jsonl")
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"
STORES = ("sqlite", "postgres")
_STORES = {"BOTH": STORES, "SQLITE": ("sqlite",), "POSTGRES": ("postgres",)}

Result = dict[str, Any]


@dataclass
class Fault:
    """One row of the table.

    Attributes:
        tests: `tests/folder/file.py::function` of each test that shows it.
    """

    name: str
    promised: str = ""
    stores: tuple[str, ...] = STORES
    tests: list[str] = field(default_factory=list)


def registered() -> list[Fault]:
    """Every fault that a test is marked with, by name, read from the source of the tests."""
    found: dict[str, Fault] = {}
    for test, name, promised, stores in _marks():
        row = found.setdefault(name, Fault(name, stores=stores))
        row.promised = row.promised or promised
        row.tests.append(test)
    return sorted(found.values(), key=lambda row: row.name.lower())


def _marks() -> Iterator[tuple[str, str, str, tuple[str, ...]]]:
    for file in sorted(TESTS.rglob("test_*.py")):
        source = file.read_text("utf-8")
        if "@fault(" not in source:
            continue
        where = file.relative_to(TESTS.parent).as_posix()
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.FunctionDef):
                for mark in map(_mark, node.decorator_list):
                    if mark is not None:
                        yield f"{where}::{node.name}", *mark


def _mark(node: ast.expr) -> tuple[str, str, tuple[str, ...]] | None:
    """Name, promise and stores if this decorator is `fault(...)`."""
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "fault"):
        return None
    given = {word.arg: word.value for word in node.keywords}
    promised = ast.literal_eval(given["promised"]) if "promised" in given else ""
    stores = given.get("stores")
    return (
        ast.literal_eval(node.args[0]),
        promised,
        _STORES[stores.id if isinstance(stores, ast.Name) else "BOTH"],
    )


def results() -> dict[str, Result]:
    """The newest result of each test, by its id."""
    lines = RESULTS.read_text("utf-8").splitlines() if RESULTS.exists() else []
    rows = sorted((json.loads(line) for line in lines if line), key=lambda row: str(row["date"]))
    return {row["test"]: row for row in rows}


def record(rows: Iterable[Result]) -> None:
    """Put new results on record, drop those of tests that are no more, and write the table."""
    kept = {**results(), **{row["test"]: row for row in rows}}
    known = {test for row in registered() for test in row.tests}
    lines = [json.dumps(kept[test]) for test in sorted(kept) if _function(test) in known]
    RESULTS.write_text("\n".join([*lines, ""]), "utf-8")
    write()


def _function(test: str) -> str:
    """A test's id without its parameters."""
    return test.split("[", 1)[0]


def rows() -> list[list[str]]:
    """Cells of the table: fault, promised, seen, SQLite, PostgreSQL."""
    known = results()
    found = []
    for row in registered():
        mine = {test: [r for t, r in known.items() if _function(t) == test] for test in row.tests}
        everything = [result for each in mine.values() for result in each]
        cells = [row.name, row.promised, _seen(everything)]
        cells += [_cell(row, store, mine) for store in STORES]
        found.append(cells)
    return found


def _cell(row: Fault, store: str, mine: dict[str, list[Result]]) -> str:
    """Green if every test of the fault was run and all that ran on this store are; the oldest date counts."""
    if store not in row.stores:
        return "–"
    here = [result for each in mine.values() for result in each if result["store"] == store]
    if any(not result["green"] for result in here):
        return f"red on {max(result['date'] for result in here if not result['green'])}"
    if not here or not all(mine.values()):
        return "not run"
    return f"green on {min(result['date'] for result in here)}"


def _seen(found: Sequence[Result]) -> str:
    """What the tests of one fault saw, together."""
    counts: dict[str, float] = {}
    most: dict[str, float] = {}
    notes: dict[str, None] = {}
    for result in found:
        seen = result["seen"]
        for what, number in seen.get("counts", {}).items():
            counts[what] = counts.get(what, 0) + number
        for what, number in seen.get("most", {}).items():
            most[what] = max(most.get(what, number), number)
        notes |= dict.fromkeys(seen.get("notes", ()))
    told = [f"{number:,g} {what}" for what, number in counts.items()]
    told += [f"at most {number:,g} {what}" for what, number in most.items()]
    green = "as promised" if any(result["green"] for result in found) else ""
    return "; ".join([*told, *notes]) or green


def table() -> str:
    """The table as Markdown."""
    head = ["fault", "promised", "seen", "SQLite", "PostgreSQL"]
    lines = [_line(head), "|---|---|---|---|---|", *map(_line, rows())]
    return "\n".join([BEGIN, *lines, END])


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def in_page() -> str:
    """The table as it stands in the manual, markers and all."""
    text = PAGE.read_text("utf-8")
    return text[text.index(BEGIN) : text.index(END) + len(END)]


def write() -> None:
    """Put the table into the manual."""
    text = PAGE.read_text("utf-8")
    before, after = text[: text.index(BEGIN)], text[text.index(END) + len(END) :]
    PAGE.write_text(before + table() + after, "utf-8")


if __name__ == "__main__":
    write()
    print(f"{PAGE}: {len(rows())} faults")
