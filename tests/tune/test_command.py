"""`hissmark tune` over a real store: an engineer's way from too many alarms to another setting, and back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hissmark.site.load import load_site
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.recall import restored_engine
from support.command import hissmark
from support.recorded import recording
from support.tuned_past import Past, at

PERIOD = ("--from", at(1.6), "--to", at(12.0))
SHORT = ("--from", at(1.6), "--to", at(4.2), "--before", "1", "--workers", "1")
"""The first leak and its end."""
SIGNED = ("--by", "O. Berg", "--reason", "too many alarms", "--wait", "0")


def tune(site: Path, *words: str, code: int = 0) -> str:
    done = hissmark("tune", str(site), *words)
    assert done.returncode == code, done.stderr
    return done.stdout if code == 0 else done.stderr


def rows(site: Path, *words: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in tune(site, *words, "--json").splitlines()]


def take_up(site: Path) -> None:
    """What the service does when it runs: apply what is on record."""
    loaded = load_site(site)
    with recording(site) as rig:
        restored = restored_engine(rig.layout, Reader(rig.store, loaded.archive))
        assert restored is not None
        rig.engine = restored[0]
        rig.take_up()


def in_force(site: Path, valve: str, *more: str) -> dict[str, Any]:
    return {row["setting"]: row["value"] for row in rows(site, "show", valve, *more)}


def test_the_valves_with_the_most_alarms_and_why(past: Past) -> None:
    found = rows(past.folder, "busiest", *PERIOD)
    assert found[0]["valve"] == "XV-1"
    assert found[0]["alarms"] == 2
    assert found[0]["rise_db"] > found[0]["limit_db"] + 5
    assert found[0]["moments"] == sorted(found[0]["moments"], reverse=True)
    told = tune(past.folder, "busiest", *PERIOD)
    assert "XV-1 (header): 2 alarms" in told
    assert "look at the valve before you change a setting" in told
    assert "No valve has had an alarm" in tune(past.folder, "busiest", "--from", at(0), "--to", at(1))


def test_a_trial_says_what_is_lost(past: Past) -> None:
    told = tune(past.folder, "try", *SHORT, "--setting-of", "XV-1", "--set", "rise_limit_db=30")
    assert "With the settings in force the replay gives the 1 alarm as it happened." in told
    lost = [line for line in told.splitlines() if line.strip().startswith("lost")]
    assert any("XV-1" in line and "passing" in line for line in lost)
    assert f"{len(lost)} lost" in told
    assert "where nobody looked" in told


def test_sweeps_of_one_and_two_settings_show_the_present_point(past: Past) -> None:
    one = rows(past.folder, "sweep", *SHORT, "--over", "rise_limit_db=4:20:3")[0]
    assert [p["values"] for p in one["points"]] == [{"rise_limit_db": v} for v in (4.0, 12.0, 20.0)]
    assert one["here"]["values"] == {"rise_limit_db": 6.0}
    rate = one["points"][0]["unproven_a_year"]
    assert rate["low"] < rate["value"] < rate["high"]
    told = tune(past.folder, "sweep", *SHORT, "--over", "rise_limit_db=6,20", "--over", "odds_limit=2,8")
    table = [line.split() for line in told.splitlines() if line.strip().startswith(("6 dB", "20 dB"))]
    assert len(table) == 5  # where it is, and four combinations
    assert "*" in table[0]


def test_a_suggestion_against_what_was_found(own: Path) -> None:
    """XV-1 was found passing: settings that miss it are not suggested."""
    words = ("suggest", *SHORT, "--budget", "0.01", "--over")
    none = tune(own, *words, "rise_limit_db=4,6")
    assert "None of the 2 combinations keeps to 0.01 false alarms" in none
    assert "an alarm where nobody looked counts as false" in none
    hissmark("repair", str(own), "record", "XV-1", "--found", "passing", "--at", at(3.0), "--by", "O. Berg")
    told = tune(own, *words, "rise_limit_db=6,30")
    assert "For at most 0.01 false alarms in a valve and year: rise_limit_db 6 dB." in told
    assert "Of 1 known leak 1 would have been found" in told
    assert "too short to promise the budget" in told
    assert "publish --set rise_limit_db=6 --by" in told


def test_published_compared_and_taken_back(own: Path) -> None:
    first = rows(own, "history")[-1]["version"]  # XV-5 has a limit of its own
    assert "on record; the service takes it up" in tune(own, "publish", "--set", "rise_limit_db=9", *SIGNED)
    assert in_force(own, "XV-1")["rise_limit_db"] == 6.0  # nothing counts before the service has it
    take_up(own)
    assert in_force(own, "XV-1")["rise_limit_db"] == 9.0
    assert in_force(own, "XV-5")["rise_limit_db"] == 5.0
    assert in_force(own, "XV-1", "--at", at(2.0))["rise_limit_db"] == 6.0
    version = rows(own, "history")[-1]
    assert (version["author"], version["reason"]) == ("O. Berg", "too many alarms")
    assert "site: rise_limit_db not set -> 9 dB" in tune(own, "diff", str(first), str(version["version"]))
    tune(own, "roll-back", str(first), *SIGNED)
    take_up(own)
    assert in_force(own, "XV-1")["rise_limit_db"] == 6.0
    assert "taken back" in tune(own, "history")
    assert "in force already" in tune(own, "roll-back", str(first), *SIGNED)


def test_settings_go_out_and_in_as_toml(own: Path, tmp_path: Path) -> None:
    tune(own, "publish", "--group", "header", "--set", "odds_limit=8", "--set", "margin_db=4", *SIGNED)
    take_up(own)
    kept = tmp_path / "tuned.toml"
    kept.write_text(tune(own, "export"), "utf-8")
    tune(own, "publish", "--group", "header", "--set", "odds_limit=", *SIGNED)
    tune(own, "publish", "--valve", "XV-2", "--set", "rise_limit_db=7", *SIGNED)
    take_up(own)
    assert in_force(own, "XV-2")["odds_limit"] == 2.0
    tune(own, "import", str(kept), *SIGNED)
    take_up(own)
    assert in_force(own, "XV-2")["odds_limit"] == 8.0
    assert in_force(own, "XV-2")["rise_limit_db"] == 6.0
    assert tune(own, "export").splitlines()[2:] == kept.read_text("utf-8").splitlines()[2:]


def test_what_is_tuned_is_told_by_check(own: Path) -> None:
    done = hissmark("check", str(own))
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert lines[-2].startswith("Tuned beyond site.toml")
    assert lines[-1].startswith("  valve XV-5: rise_limit_db 5 dB instead of 6 dB (version ")
    assert lines[-1].endswith(": hears too little)")
    (own / "data" / "hissmark.db").write_bytes(b"no database at all, but a file of that name")
    assert hissmark("check", str(own)).returncode == 0


def test_the_latest_state_is_untouched_by_trials(past: Past) -> None:
    """Trying changes nothing: the store holds the same changes as before."""
    site = load_site(past.folder)
    engine = open_for_reading(site.store_url, site.folder)
    reader = Reader(engine, site.archive)
    try:
        before = [row.id for row in reader.changes(after_id=0)]
        tune(past.folder, "try", *SHORT, "--set", "on_delay_s=900")
        assert [row.id for row in reader.changes(after_id=0)] == before
    finally:
        reader.close()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("publish", "--set", "rise_limit_db=9"), "only with --by and --reason"),
        (("publish", "--set", "rise_limit_db=900", *SIGNED), "not believable"),
        (("publish", "--set", "rise_limit_db", *SIGNED), "must be written NAME=VALUE"),
        (("publish", "--set", "colour=3", *SIGNED), "cannot be tuned"),
        (("publish", "--valve", "XV-77", "--set", "margin_db=4", *SIGNED), "XV-77"),
        (("publish", "--valve", "XV-1", "--group", "header", "--set", "margin_db=4", *SIGNED), "not of both"),
        (("roll-back", "4711", *SIGNED), "there is no version 4711"),
        (("diff", "0", "4711"), "there is no version 4711"),
        (("show", "XV-77"), "no valve or channel"),
        (("import", "nowhere.toml", *SIGNED), "cannot be read"),
        (("try", "--set", "rise_limit_db=8", "--from", at(5), "--to", at(2)), "must begin before it ends"),
        (("sweep", "--over", "rise_limit_db=4:12"), "with a count from 2 to 200"),
        (("suggest", "--budget", "2000"), "at most 1000"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(past: Past, words: tuple[str, ...], said: str) -> None:
    told = tune(past.folder, *words, code=1)
    assert said in told
    assert len(told.splitlines()) == 1
