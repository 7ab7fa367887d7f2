"""The fault suite's record: which test shows which fault, and what it saw. `faults/table.py` makes the table.

    @fault("SIGKILL at random moments", promised="every sample once, the same journal")
    def test_killed(plant, broker, seen):
        ...
        seen.count("kills", 12)

With `--fault-table` the outcomes go into `tests/faults/results.jsonl` and the table of the manual.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

SQLITE, POSTGRES = ("sqlite",), ("postgres",)
BOTH = (*SQLITE, *POSTGRES)


def fault(name: str, *, promised: str = "", stores: tuple[str, ...] = BOTH) -> Callable[[Any], Any]:
    """Marks a test as one that shows this fault. Write name and promise as plain literals: they are read
    without running anything. Several tests may show one fault; one of them gives the promise.

    Args:
        stores: the stores that the fault concerns; the other has a dash in the table.
    """
    return pytest.mark.fault(name=name, promised=promised, stores=stores)


class Seen:
    """What one test saw, for the table: counts add up over tests and runs, of figures the largest is kept."""

    def __init__(self) -> None:
        self.counts: dict[str, float] = {}
        self.most: dict[str, float] = {}
        self.notes: list[str] = []

    def count(self, what: str, number: float = 1) -> None:
        """`seen.count("kills", 12)` is shown as "12 kills"."""
        self.counts[what] = self.counts.get(what, 0) + number

    def at_most(self, what: str, number: float) -> None:
        """`seen.at_most("s to recover", 5.2)` is shown as "at most 5.2 s to recover"."""
        number = round(number, 1)
        self.most[what] = max(self.most.get(what, number), number)

    def note(self, text: str) -> None:
        """Words that the test read somewhere, or a figure of another kind."""
        if text not in self.notes:
            self.notes.append(text)


@pytest.fixture
def seen(request: pytest.FixtureRequest) -> Iterator[Seen]:
    """Put what the test saw into this; kept if it passes."""
    found = Seen()
    yield found
    request.node.user_properties.append(
        ("seen", {"counts": found.counts, "most": found.most, "notes": found.notes})
    )


def store_of(item: pytest.Item) -> str:
    """The store that a test ran on."""
    mark = item.get_closest_marker("fault")
    if mark is not None and len(mark.kwargs["stores"]) == 1:
        return str(mark.kwargs["stores"][0])
    callspec = getattr(item, "callspec", None)
    chosen = callspec.params.get("store_url") if callspec else None
    if chosen:
        return str(chosen)
    return "postgres" if {"postgres", "postgres_url"} & set(getattr(item, "fixturenames", ())) else "sqlite"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--fault-table", action="store_true", help="put what the faults showed into the table of the manual"
    )
    parser.addoption(
        "--fault-list", metavar="FILE", help="write the tests that show faults, each with its store, as JSON"
    )


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--fault-table") and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Recorder())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("fault"):
            item.user_properties.append(("store", store_of(item)))


def pytest_collection_finish(session: pytest.Session) -> None:
    into = session.config.getoption("--fault-list")
    if into:
        found = {item.nodeid: store_of(item) for item in session.items if item.get_closest_marker("fault")}
        Path(into).write_text(json.dumps(found), "utf-8")


class _Recorder:
    """Puts each test that shows a fault on record as it ends: a session may be cut short."""

    def __init__(self) -> None:
        self._found: dict[str, dict[str, Any]] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        told = dict(report.user_properties)
        if "store" not in told or report.skipped:
            return
        row = self._found.setdefault(
            report.nodeid,
            {"test": report.nodeid, "store": told["store"], "date": _today(), "green": False, "seen": {}},
        )
        if report.when == "call":
            row["green"] = report.passed
        elif report.failed:
            row["green"] = False
        row["seen"] = told.get("seen", row["seen"]) if row["green"] else {}
        if report.when == "teardown":
            from faults import table

            table.record([row])


def _today() -> str:
    return datetime.now(UTC).date().isoformat()
