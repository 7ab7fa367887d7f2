"""Writes the table of faults in service/docs/faults.md: `python tests/faults/table.py`.

A row for each fault that a test is marked with (`support.faults.fault`), and in it a cell for each store: how
many of the tests that pytest finds for this store were run, when, and what they saw. That comes from
`results.jsonl`, one line a test, which a run with `--fault-table` writes. Nothing in it is written by hand.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
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
    known = collected()
    lines = [json.dumps(kept[test]) for test in sorted(kept) if test in known]
    RESULTS.write_text("\n".join([*lines, ""]), "utf-8")
    write()


def _function(test: str) -> str:
    """A test's id without its parameters."""
    return test.split("[", 1)[0]


@cache
def collected() -> dict[str, str]:
    """Id of each test that shows a fault, parameters and all -> the store that it runs on, as pytest says."""
    files = sorted({test.split("::")[0] for row in registered() for test in row.tests})
    with tempfile.TemporaryDirectory() as folder:
        into = Path(folder) / "tests.json"
        options = ["--collect-only", "-q", "-m", "fault", "-p", "no:cacheprovider", f"--fault-list={into}"]
        command = [sys.executable, "-m", "pytest", *options, *files]
        done = subprocess.run(command, cwd=TESTS.parent, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
        found: dict[str, str] = json.loads(into.read_text("utf-8"))
    return found


def rows() -> list[list[str]]:
    """Cells of the table: fault, promised, SQLite, PostgreSQL."""
    known, tests = results(), collected()
    found = []
    for row in registered():
        mine = [test for test in tests if _function(test) in row.tests]
        found.append([row.name, row.promised, *(_cell(row, store, mine, known) for store in STORES)])
    return found


def _cell(row: Fault, store: str, mine: Iterable[str], known: dict[str, Result]) -> str:
    """Green as far as all that ran on this store are; the oldest date counts."""
    if store not in row.stores:
        return "–"
    due = [test for test in mine if collected()[test] == store]
    ran = [known[test] for test in due if test in known]
    red = [result for result in ran if not result["green"]]
    if red:
        return f"red, {len(red)} of {len(due)}, {max(result['date'] for result in red)}"
    if not ran:
        return "not run"
    seen = _seen(ran)
    when = f"green, {len(ran)} of {len(due)}, {min(result['date'] for result in ran)}"
    return f"{when}: {seen}" if seen else when


def _seen(found: Sequence[Result]) -> str:
    """What the tests of one fault saw on one store, together."""
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
    return "; ".join([*told, *notes])


def table() -> str:
    """The table as Markdown."""
    head = ["fault", "promised", "SQLite", "PostgreSQL"]
    lines = [_line(head), "|---|---|---|---|", *map(_line, rows())]
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
