"""`hissmark explain` and `hissmark losses` on a site that has run: a leak, then its repair."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cli.known_site import hissmark
from hissmark.engine.story import tell
from hissmark.publish.times import rfc3339
from support.recorded import RecordedRig, recording, write_site
from support.rig import LEARNED_S, START_US, US

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
LEAK = {"AE-1": 55.0, "AE-2": 43.0, "AE-3": 42.0, "AE-4": 31.0, "AE-5": 30.0}
CLOSED = {"ZT-1": 0.5}
HOUR_S = 3600


def at(s: float) -> str:
    return rfc3339(START_US + int(s * US))


SAVED_S, REPAIRED_S = LEARNED_S + HOUR_S, LEARNED_S + 2 * HOUR_S


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, RecordedRig]]:
    """Quiet until 01:30, XV-1 passing until 03:30, then quiet; the state was last saved at 02:30."""
    folder = write_site(tmp_path_factory.mktemp("explain") / "north")
    with recording(folder) as rig:
        rig.run(LEARNED_S, dict(BASE), CLOSED)
        rig.run(HOUR_S, dict(LEAK), CLOSED)
        rig.save()
        rig.run(HOUR_S, dict(LEAK), CLOSED)
        rig.run(2 * HOUR_S, dict(BASE), CLOSED)
        yield str(folder), rig


def explained(*words: str) -> dict[str, Any]:
    done = hissmark("explain", *words, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_now_is_told_as_the_living_engine_would(plant: tuple[str, RecordedRig]) -> None:
    """Restored from an older state and fed with what was stored since: the same tick, the same figures."""
    folder, rig = plant
    found = explained(folder, "XV-1")
    living = tell(rig.engine, rig.place("XV-1"))
    assert living is not None
    assert living.evidence is not None
    assert (found["at"], found["basis"]) == (rfc3339(rig.last.at_us), "saved state")
    assert (found["verdict"], found["reason"]) == (living.verdict.text, living.reason.text)
    assert found["evidence"]["odds"] == round(living.evidence.odds, 2)
    assert [(e["words"], e["score"]) for e in found["explanations"][:1]] == [
        ("nothing", round(living.scores[0].score, 2))
    ]
    assert [c["level_db"] for c in found["channels"]] == [round(v.level_db or 0, 2) for v in living.voices]


def test_a_moment_after_the_saved_state_is_told_from_it(plant: tuple[str, RecordedRig]) -> None:
    folder, _ = plant
    found = explained(folder, "XV-1", "--at", at(SAVED_S + 1830))
    assert (found["at"], found["basis"], found["verdict"]) == (at(SAVED_S + 1800), "saved state", "passing")
    assert found["evidence"]["odds"] >= found["evidence"]["odds_wanted"]
    assert found["explanations"][0]["words"] == "XV-1 passing"
    assert "XV-1: passing." in found["sentences"][0]


def test_a_moment_before_it_is_told_from_the_history(plant: tuple[str, RecordedRig]) -> None:
    folder, _ = plant
    found = explained(folder, "XV-2", "--at", at(LEARNED_S + 3000))
    assert (found["at"], found["basis"], found["verdict"]) == (at(LEARNED_S + 3000), "history", "spill")
    assert found["explanations"][0]["words"] == "XV-1 passing"
    assert found["evidence"] is None
    quiet = explained(folder, "XV-2", "--at", at(LEARNED_S - 60))
    assert (quiet["verdict"], quiet["explanations"][0]["words"]) == ("quiet", "nothing")


def test_for_people(plant: tuple[str, RecordedRig]) -> None:
    folder, _ = plant
    text = hissmark("explain", folder, "XV-2", "--at", at(SAVED_S + 1800)).stdout
    for phrase in (
        f"XV-2 at {at(SAVED_S + 1800)} (from the state saved",
        "XV-2: spill. It hears the source along the pipe.",
        "Best explanation: XV-1 passing.",
        "What would change the verdict:",
        "more margin over XV-1",
        "not proof of isolation",
    ):
        assert phrase in text
    (line,) = [row for row in text.splitlines() if row.startswith("XV-1 ")]
    assert "passing" in line
    assert "55.0 dB" in line or "54." in line
    past = hissmark("explain", folder, "XV-2", "--at", at(LEARNED_S + 3000)).stdout
    assert "from the history; losses as known now" in past
    assert "not on record" in past


def test_what_cannot_be_told(plant: tuple[str, RecordedRig], fresh_site: Path) -> None:
    folder, _ = plant
    done = hissmark("explain", folder, "XV-9")
    assert (done.returncode, "'XV-9' is no valve or channel" in done.stderr) == (1, True)
    done = hissmark("explain", folder, "XV-1", "--at", "2025-01-01")
    assert done.returncode == 1
    assert done.stderr == "error: XV-1 has no verdict at that moment: nothing was judged.\n"
    assert hissmark("explain", folder, "XV-1", "--at", "soon").returncode == 2
    assert hissmark("explain", str(fresh_site), "XV-101").returncode == 1


def test_losses_are_shown_and_a_reset_goes_on_record(plant: tuple[str, RecordedRig]) -> None:
    folder, _ = plant
    done = hissmark("losses", folder, "header", "--json")
    found = json.loads(done.stdout)
    assert [p["between"] for p in found["pairs"]][:2] == [["XV-4", "XV-2"], ["XV-2", "XV-1"]]
    assert all(p["loss_db"] == p["register_db"] and p["sd_db"] > 0 for p in found["pairs"])
    assert (found["measured"], found["resets"]) == (0, [])
    assert hissmark("losses", folder, "header", "--reset").returncode == 2
    done = hissmark("losses", folder, "header", "--reset", "--operator", "Ada", "--comment", "new pipe")
    assert (done.returncode, "on record" in done.stdout) == (0, True)
    (reset,) = json.loads(hissmark("losses", folder, "header", "--json").stdout)["resets"]
    assert (reset["operator"], reset["comment"], reset["applied"]) == ("Ada", "new pipe", None)
    text = hissmark("losses", folder, "header").stdout
    assert "XV-4 and XV-2" in text
    assert "by Ada, waiting for the service. new pipe" in text
    done = hissmark("losses", folder, "haeder")
    assert done.stderr == "error: 'haeder' is no group of North works. Groups are: header.\n"
