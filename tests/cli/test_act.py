"""Shelving and out of service from the command line, and acknowledging several."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli import known_site as known
from cli.known_site import hissmark
from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState
from hissmark.cli.moments import now_us
from hissmark.store import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.records import ActionRow

WHO = ("--operator", "M. Okafor", "--wait", "0")


def actions(site: Path) -> list[ActionRow]:
    reader = Reader(open_for_reading("sqlite:///data/hissmark.db", site))
    try:
        return reader.actions()[::-1]
    finally:
        reader.close()


def test_shelving_goes_on_record_with_reason_and_end(site: Path) -> None:
    done = hissmark("shelve", str(site), "XV-101", "--for", "2h", "--comment", "steam trap", *WHO)
    assert done.returncode == 0, done.stderr
    assert "recorded as action 1" in done.stdout
    (row,) = actions(site)
    assert (row.request.kind, row.request.valve, row.request.comment) == ("shelve", "XV-101", "steam trap")
    assert row.request.until_us == pytest.approx(now_us() + 7200 * 1e6, abs=60e6)


def test_shelving_once_goes_on_record_as_such(site: Path) -> None:
    words = ("XV-101", "--for", "2h", "--once", "--comment", "steam trap", *WHO)
    done = hissmark("shelve", str(site), *words)
    assert done.returncode == 0, done.stderr
    (row,) = actions(site)
    assert row.request.kind == "shelve-once"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--for", "13h", "--comment", "x"), 1, "at most 12 h"),
        (("--for", "5s", "--comment", "x"), 2, "at least a minute"),
        (("--for", "soon", "--comment", "x"), 2, "such as 30min or 4h"),
        (("--for", "1h", "--comment", " "), 2, "say why"),
        (("--for", "1h"), 2, "--comment"),
        (("--comment", "x"), 2, "--for"),
    ],
)
def test_shelving_without_reason_or_end_is_refused(
    site: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    done = hissmark("shelve", str(site), "XV-101", *words, *WHO)
    assert done.returncode == code
    assert said in done.stderr
    assert actions(site) == []


def test_an_alarm_at_rest_is_put_aside_only_if_it_is_named(site: Path) -> None:
    done = hissmark("out-of-service", str(site), "XV-201", "--comment", "sensor removed", *WHO)
    assert "To do it in advance, name the alarm" in done.stderr
    hissmark(
        "out-of-service", str(site), "XV-201", "--alarm", "sensor-fault", "--comment", "sensor removed", *WHO
    )
    (row,) = actions(site)
    assert (row.request.kind, row.request.alarm) == ("take-out-of-service", "sensor-fault")


def test_what_is_on_the_shelf_is_taken_off_and_nothing_else(site: Path) -> None:
    assert (
        "nothing to take off the shelf: passing is unacknowledged"
        in hissmark("unshelve", str(site), "XV-101", *WHO).stderr
    )
    known.add_entries(
        site, known.entry(70, "XV-101", AlarmKind.PASSING, AlarmEvent.SHELVED, AlarmState.SHELVED)
    )
    assert hissmark("unshelve", str(site), "XV-101", *WHO).returncode == 0
    assert [r.request.kind for r in actions(site)] == ["unshelve"]
    done = hissmark("return-to-service", str(site), "XV-101", *WHO)
    assert "nothing to return to service: passing is shelved" in done.stderr


def test_several_valves_are_acknowledged_in_one_go(site: Path) -> None:
    raised = known.entry(70, "XV-202", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED)
    known.add_entries(site, raised)
    assert hissmark("ack", str(site), "XV-101", "XV-202", *WHO).returncode == 0
    assert [r.request.valve for r in actions(site)] == ["XV-101", "XV-202"]
