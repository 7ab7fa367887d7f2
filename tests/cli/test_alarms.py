"""`hissmark alarms` and `hissmark ack`."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from cli.known_site import (
    MIN,
    NAMES,
    START_US,
    add_entries,
    add_recent_sample,
    entry,
    hissmark,
    hissmark_process,
)
from hissmark.alarms.journal import ActionKind, AlarmEvent, AlarmKind, AlarmState
from hissmark.store import Writer, open_for_reading, open_store
from hissmark.store.reader import Reader

CONTRACT = {
    "seq", "at", "recorded_at", "valve", "group", "alarm", "event", "state", "priority", "rise_db",
    "margin_db", "reason", "operator", "comment",
}  # fmt: skip


def rows(*words: str) -> list[dict[str, Any]]:
    done = hissmark(*words)
    assert (done.returncode, done.stderr) == (0, "")
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_json_is_the_whole_journal_with_the_names_of_the_contract(site: Path) -> None:
    found = rows("alarms", str(site), "--json")
    assert [(r["seq"], r["at"], r["valve"], r["event"]) for r in found] == [
        (1, "2026-03-01T02:10:00Z", "XV-201", "raised"),
        (2, "2026-03-01T02:20:00Z", "XV-201", "acknowledged"),
        (3, "2026-03-01T02:30:00Z", "XV-201", "cleared"),
        (4, "2026-03-01T03:02:00Z", "XV-101", "raised"),
    ]
    assert all(set(r) >= CONTRACT for r in found)
    last = found[-1]
    assert (last["alarm"], last["state"], last["priority"]) == ("passing", "unacknowledged", "high")
    assert (last["rise_db"], last["margin_db"], last["group"]) == (14.25, 8.0, "panel")
    assert (found[0]["rise_db"], found[1]["operator"]) == (None, "Ada")


def test_json_active_has_only_what_stands(site: Path) -> None:
    (alarm,) = rows("alarms", str(site), "--json", "--active")
    assert (alarm["valve"], alarm["alarm"], alarm["state"]) == ("XV-101", "passing", "unacknowledged")
    assert alarm["raised_at"] == "2026-03-01T03:02:00Z"
    assert alarm["sentence"].startswith("XV-101 is passing: 14 dB over its background for ")


def test_the_table_speaks_in_sentences(site: Path) -> None:
    done = hissmark("alarms", str(site))
    assert done.returncode == 0
    text = " ".join(done.stdout.split())
    assert "XV-101 is passing: 14 dB over its background" in text
    assert "XV-102 hears its spill." in text
    assert "North works: 1 alarm not at rest." in text
    assert "XV-201" not in text


def test_old_data_is_never_shown_as_if_it_were_fresh(site: Path) -> None:
    assert "does the service run?" in hissmark("alarms", str(site)).stdout
    add_recent_sample(site, age_s=5)
    fresh = hissmark("alarms", str(site)).stdout
    assert "does the service run?" not in fresh
    assert "Newest data " in fresh


@pytest.mark.parametrize(
    ("words", "seqs"),
    [
        (("--valve", "XV-201"), [1, 2, 3]),
        (("--valve", "AX-3"), [1, 2, 3]),
        (("--from", "2026-03-01T02:20:00Z"), [2, 3, 4]),
        (("--to", "2026-03-01T02:20:00Z"), [1]),
        (("--from", "2026-03-01T03:20:00+01:00", "--to", "2026-03-01T02:30:00Z"), [2]),
        (("--to", "2026-03-01"), []),
        (("--from", "2026-03-01", "--to", "2026-03-02"), [1, 2, 3, 4]),
        (("--to", "1d"), [1, 2, 3, 4]),
    ],
)
def test_filters_of_the_journal(site: Path, words: tuple[str, ...], seqs: list[int]) -> None:
    """`--from` is included, `--to` is not; a channel stands for its valve."""
    assert [r["seq"] for r in rows("alarms", str(site), "--json", *words)] == seqs


def test_the_journal_for_people(site: Path) -> None:
    lines = hissmark("alarms", str(site), "--journal").stdout.splitlines()
    assert lines[1] == "2026-03-01T02:20:00Z  XV-201: sensor fault acknowledged by Ada.  [acknowledged]"
    assert len(lines) == 4


def test_a_long_journal_comes_whole_and_in_order(site: Path) -> None:
    """More than the reader gives at once."""
    passing = AlarmKind.PASSING
    more = [
        entry(100 + i, "XV-102", passing, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED) for i in range(2500)
    ]
    add_entries(site, *more)
    assert [r["seq"] for r in rows("alarms", str(site), "--json")] == list(range(1, 2505))
    assert len(rows("alarms", str(site), "--json", "--active")) == 2


def test_a_shelved_alarm_still_stands_with_its_end(site: Path) -> None:
    from hissmark.alarms.journal import ActionRequest
    from hissmark.store.actions import record_action

    until = START_US + 600 * MIN
    engine = open_store("sqlite:///data/hissmark.db", site)
    request = ActionRequest(ActionKind.SHELVE, "XV-101", AlarmKind.PASSING, "Ada", "repair planned", until)
    number = record_action(engine, request, START_US)
    engine.dispose()
    passing = AlarmKind.PASSING
    shelved = entry(
        70, "XV-101", passing, AlarmEvent.SHELVED, AlarmState.SHELVED, operator="Ada", action_id=number
    )
    add_entries(site, shelved)
    (alarm,) = rows("alarms", str(site), "--json", "--active")
    assert (alarm["state"], alarm["shelved_until"], alarm["operator"]) == (
        "shelved",
        "2026-03-01T12:00:00Z",
        "Ada",
    )
    assert alarm["raised_at"] == "2026-03-01T03:02:00Z"


@pytest.mark.parametrize(
    "words",
    [
        ("--active", "--journal"),
        ("--active", "--from", "1h"),
        ("--from", "yesterday"),
        ("--from", "2026-03-01T02:00"),
    ],
)
def test_wrong_usage(site: Path, words: tuple[str, ...]) -> None:
    done = hissmark("alarms", str(site), *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


# Acknowledging.


def state(folder: Path) -> list[Any]:
    reader = Reader(open_for_reading("sqlite:///data/hissmark.db", folder))
    try:
        return reader.actions()
    finally:
        reader.close()


def test_an_acknowledgement_is_on_record_even_if_the_service_is_stopped(site: Path) -> None:
    done = hissmark("ack", str(site), "XV-101", "--operator", "Ada", "--comment", "seen", "--wait", "0")
    assert done.returncode == 0
    assert "recorded as action 1" in done.stdout
    (action,) = state(site)
    request = action.request
    assert (request.kind, request.valve, request.alarm) == (
        ActionKind.ACKNOWLEDGE,
        "XV-101",
        AlarmKind.PASSING,
    )
    assert (request.operator, request.comment, action.outcome) == ("Ada", "seen", None)


@pytest.mark.parametrize(
    ("applied_us", "outcome", "code", "says"),
    [
        (START_US, "applied", 0, "passing acknowledged"),
        (None, "it is already at rest", 1, "it is already at rest"),
    ],
)
def test_the_answer_of_the_service_is_waited_for(
    site: Path, applied_us: int | None, outcome: str, code: int, says: str
) -> None:
    """The service's side is played here: it settles the action as soon as it is there."""

    def settle() -> None:
        engine = open_store("sqlite:///data/hissmark.db", site)
        with Writer(engine, NAMES) as writer:
            for _ in range(300):
                with writer.transaction() as tx:
                    for row in tx.pending_actions():
                        tx.action_applied(row.id, applied_us, outcome)
                        return
                time.sleep(0.05)

    service = threading.Thread(target=settle)
    service.start()
    done = hissmark_process("ack", str(site), "XV-101", "--operator", "Ada", "--wait", "20")
    service.join()
    assert done.returncode == code
    assert says in done.stdout + done.stderr


def test_a_valve_without_alarm_cannot_be_acknowledged(site: Path) -> None:
    done = hissmark("ack", str(site), "XV-202", "--operator", "Ada", "--wait", "0")
    assert done.returncode == 1
    assert done.stderr == "error: XV-202 has no alarm to acknowledge. Waiting for it: XV-101.\n"
    assert state(site) == []


def test_what_is_acknowledged_already_is_said(site: Path) -> None:
    add_entries(
        site,
        entry(
            70, "XV-101", AlarmKind.PASSING, AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, operator="A"
        ),
    )
    done = hissmark("ack", str(site), "XV-101", "--operator", "Ada", "--wait", "0")
    assert done.returncode == 1
    assert "has nothing to acknowledge: passing is acknowledged" in done.stderr


@pytest.mark.parametrize("words", [(), ("--operator", "  ")])
def test_nobody_acknowledges_without_a_name(site: Path, words: tuple[str, ...]) -> None:
    assert hissmark("ack", str(site), "XV-101", *words).returncode == 2
    assert state(site) == []
