"""Every way in which it can fail has a metric and an alert: manual, program and rules agree."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from project.test_docs import metric_names
from project.test_monitoring import CASES, rules

DOCS = Path(__file__).parents[2] / "service" / "docs"
OF_PROMETHEUS = {"up", "process_start_time_seconds", "process_resident_memory_bytes", "process_open_fds"}

#: What a fault's name holds -> the failure that it shows itself as. The first that fits counts.
SHOWS_AS = (
    (r"through `run` and through `replay`", None),  # no fault: the same answers
    (r"Retained", None),  # nothing fails: they are marked and told by no alert
    (r"SIGTERM", None),  # a stop that was asked for
    (r"second service|Port of the page|away at the start|mistakes in the site|SIGKILL", "service down"),
    (r"[Uu]pgrade|migrat|[Pp]ower|roll", "service down"),
    (r"[Rr]egister", "service down"),
    (r"[Mm]emory|descriptors", "memory runs out"),
    (r"machine's clock|Daylight", "the machine's clock was set"),
    (r"cannot be read at all", "a message that cannot be read"),
    (r"Messages twice", None),  # nothing fails: they are counted
    (r"Slow broker|more arrives|More than it can do", "more arrives"),
    (r"whole day that its link held back", "samples late"),
    (r"Broker process that hangs", "broker away"),
    (r"nothing can be stored", "database away"),
    (r"hangs|a lock|[Dd]eadlock", "judging or storing hangs"),
    (r"Disk full|[Dd]isk", "database away"),
    (r"PostgreSQL|SQLite|store|standby|database", "database away"),
    (r"restarted without persistence", "broker has forgotten"),
    (r"[Bb]roker|[Hh]alf-open|[Nn]etwork|[Cc]onnection", "broker away"),
    (r"[Ss]napshot|WAL|write-ahead", "database away"),
    (r"[Pp]ayload|fuzz", "bad payloads"),
    (r"floods|overload|capacity|more arrives", "more arrives"),
    (r"clock|time|late|future|[Bb]ack-fill|reorder|duplicate|daylight", "samples late"),
    (r"[Uu]nknown names", "bad payloads"),
    (r"[Ss]ensor", "sensor silent"),
    (r"[Gg]ateway", "gateway silent"),
    (r"[Ss]ervice killed", "service down"),
)  # fmt: skip


def table(page: str, heading: str) -> list[list[str]]:
    """Cells of the first table under a heading."""
    text = (DOCS / page).read_text("utf-8").split(f"\n{heading}\n", 1)[1]
    lines = re.search(r"^\|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.M)
    assert lines, heading
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[1].splitlines()]


TOLD = table("operations.md", "## How each failure is told")
FAULTS = [row[0].strip("| ") for row in table("faults.md", "<!-- faults: begin -->")]
FAILS = [row[0].strip("| ") for row in table("operations.md", "## When something fails")]


@pytest.mark.parametrize(("failure", "metric", "alert"), TOLD, ids=[row[0] for row in TOLD])
def test_each_failure_has_a_metric_and_an_alert_that_uses_it(failure: str, metric: str, alert: str) -> None:
    name, alert = metric.strip("`"), alert.strip("` |")
    base = re.sub(r"_(total|bucket|count)$", "", name)
    assert base in OF_PROMETHEUS or base in {re.sub(r"_total$", "", n) for n in metric_names()}, name
    (rule,) = (rule for rule in rules() if rule["alert"] == alert)
    assert re.search(rf"\b{name}\b", rule["expr"]), failure
    fires_on, _ = CASES[alert]  # what promtool is shown in test_monitoring
    assert any(series.startswith(name) for series in fires_on)


def test_each_alert_of_the_service_is_for_a_failure_that_is_named() -> None:
    named = {row[2].strip("` |") for row in TOLD}
    assert {rule["alert"] for rule in rules()} - named == {"ValvePassing"}


@pytest.mark.parametrize("fault", [*FAULTS, *FAILS])
def test_each_fault_that_is_tried_shows_itself_as_a_failure_that_is_told(fault: str) -> None:
    fits = [failure for pattern, failure in SHOWS_AS if re.search(pattern, fault)]
    assert fits, f"{fault!r}: name in SHOWS_AS the failure of operations.md by which people learn of it"
    if fits[0] is not None:
        assert any(row[0].strip("| ").startswith(fits[0]) for row in TOLD), fits[0]
