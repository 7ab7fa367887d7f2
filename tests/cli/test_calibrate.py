"""`hissmark calibrate`: measured leaks and assumptions from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.known_site import MIN, START_US, TICKS, hissmark
from hissmark.publish.times import rfc3339

END = rfc3339(START_US + (TICKS - 1) * MIN)
WHO = ("--operator", "M. Okafor")
POINT = ("--leak", "3.2 kg/h", "--fluid", "methane", "--upstream", "31 barg", "--at", END)


def rate_of(site: Path) -> dict[str, object]:
    done = hissmark("calibrate", str(site), "XV-101", "--json")
    assert done.returncode == 0
    found: dict[str, object] = json.loads(done.stdout)
    return found


def test_without_a_measured_leak_it_says_what_is_needed(site: Path) -> None:
    found = rate_of(site)
    assert found["rate_kg_h"] is None
    assert "measured" in str(found["needs"])
    listed = hissmark("calibrate", str(site))
    assert listed.returncode == 0
    assert "XV-101" in listed.stdout
    assert "no measurement for trade" in listed.stdout


def test_a_measured_leak_from_the_history_gives_a_rate(site: Path) -> None:
    """Level of that time from the history; then the rate with interval, points, and every step."""
    done = hissmark("calibrate", str(site), "XV-101", *POINT, *WHO)
    assert done.returncode == 0, done.stderr
    assert "on record as 1. 3.2 kg/h at a leak-only level" in done.stdout
    stated = hissmark(
        "calibrate", str(site), "--assume", "fluid=methane", "--assume", "price=0.45 EUR/kg", *WHO
    )
    assert stated.returncode == 0, stated.stderr
    found = rate_of(site)
    assert found["status"] in ("estimated", "at most")
    shown = hissmark("calibrate", str(site), "XV-101").stdout
    assert "M. Okafor" in shown
    assert "where it comes from" in shown
    assert "leak alone" in shown


def test_taking_back_needs_a_reason_and_keeps_the_record(site: Path) -> None:
    hissmark("calibrate", str(site), "XV-101", *POINT, *WHO)
    refused = hissmark("calibrate", str(site), "XV-101", "--withdraw", "1", *WHO)
    assert refused.returncode == 1
    assert "--reason" in refused.stderr
    done = hissmark("calibrate", str(site), "XV-101", "--withdraw", "1", "--reason", "bypass open", *WHO)
    assert done.returncode == 0
    assert rate_of(site)["rate_kg_h"] is None
    again = hissmark("calibrate", str(site), "XV-101", "--withdraw", "1", "--reason", "again", *WHO)
    assert again.returncode == 1
    assert "It has: none" in again.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("XV-101", "--leak", "3 dogs"), 1, "no flow"),
        (("XV-999", "--leak", "3 kg/h"), 1, "is no valve"),
        (("AX-9", "--leak", "3 kg/h"), 1, "reference point"),
        (("--leak", "3 kg/h"), 2, "Name the valve"),
        (("--assume", "price=cheap"), 1, "is no money"),
        (("--assume", "colour=red"), 1, "nothing that can be assumed"),
        (("XV-101", "--leak", "3 kg/h", "--at", "2020-01-01"), 1, "history has 0 levels"),
    ],
)  # fmt: skip
def test_slips_are_told(site: Path, words: tuple[str, ...], code: int, said: str) -> None:
    done = hissmark("calibrate", str(site), *words, "--fluid", "methane" if "--leak" in words else "", *WHO)
    assert done.returncode == code
    assert said in done.stderr


def test_nothing_goes_on_record_without_a_name(site: Path) -> None:
    done = hissmark("calibrate", str(site), "XV-101", "--leak", "3 kg/h")
    assert done.returncode == 2
    assert "--operator" in done.stderr
