"""Register and baselines from the command line, on a site whose service is stopped."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.known_site import hissmark
from support.recorded import REGISTER, recording, write_site
from support.rig import LEARNED_S

WHO = ("--operator", "M. Okafor", "--comment", "as on the survey")


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four channels have learned, AE-5 was never heard."""
    folder = write_site(tmp_path_factory.mktemp("upkeep") / "north")
    with recording(folder) as rig:
        rig.run(LEARNED_S, {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0}, {"ZT-1": 0.5})
        rig.save()
    return folder


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site that has a database and nothing in it."""
    folder = write_site(tmp_path / "north")
    with recording(folder):
        pass
    return folder


def sheet(site: Path, text: str) -> str:
    made = site / "sheet.csv"
    made.write_bytes(text.replace(",", ";").encode("utf-16"))
    return str(made)


def test_import_names_every_problem_and_changes_nothing(site: Path) -> None:
    spoiled = REGISTER.replace("AE-2,valve", "AE-2,vlave").replace("header,3,", "header,x,")
    done = hissmark("register", str(site), "import", sheet(site, spoiled), "--apply", *WHO)
    assert done.returncode == 1
    assert "sheet.csv:3: error: kind: 'vlave' is not known. Did you mean 'valve'?" in done.stdout
    assert "sheet.csv:5: error: position: 'x' is not a whole number." in done.stdout
    assert "nothing was changed" in done.stderr
    assert (site / "register.csv").read_text() == REGISTER


def test_import_shows_the_difference_and_applies_when_told_to(site: Path) -> None:
    edited = sheet(site, REGISTER.replace("XV-3,header,3", "XV-33,header,3") + "AE-6,valve,XV-6,header,5,\n")
    seen = hissmark("register", str(site), "import", edited)
    assert seen.returncode == 0
    assert "moved: AE-3 (XV-33, group header)\n    valve: XV-3 -> XV-33" in seen.stdout
    assert "added: AE-6 (XV-6, group header)" in seen.stdout
    assert "1 added, 1 moved. Nothing is changed yet" in seen.stdout
    assert (site / "register.csv").read_text() == REGISTER
    done = hissmark("register", str(site), "import", edited, "--apply", *WHO, "--wait", "0")
    assert "Version 1 is on record and comes into force when the service takes it over" in done.stdout
    assert "AE-6,valve,XV-6,header,5" in (site / "register.csv").read_text()
    (row,) = [
        json.loads(line) for line in hissmark("register", str(site), "history", "--json").stdout.splitlines()
    ]
    assert (row["operator"], row["comment"], row["how"]) == ("M. Okafor", "as on the survey", "imported")
    assert (row["outcome"], row["in_force"]) == ("waiting for the service", None)
    again = hissmark("register", str(site), "import", edited, "--apply", *WHO)
    assert again.returncode == 1
    assert "nothing would change" in again.stderr or "is waiting" in again.stderr


def test_export_gives_the_register_back(site: Path) -> None:
    out = site / "out.csv"
    hissmark("register", str(site), "export", "--out", str(out))
    seen = hissmark("register", str(site), "import", str(out))
    assert seen.stdout == "no change.\n"
    assert hissmark("register", str(site), "export").stdout.startswith("channel,kind,valve,group,position")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("move", "AE-77", "XV-1"), "There is no channel 'AE-77'"),
        (("move", "AE-1", "XV-1"), "AE-1 sits on XV-1 already"),
        (("rollback", "7"), "There is no version 7"),
        (("diff",), "There is only one version"),
        (("add", "AE-7", "--valve", "XV-1", "--group", "header", "--position", "7"), "the table has errors"),
        (("commission", "nowhere"), "'nowhere' is no group"),
    ],
)
def test_what_cannot_be_is_said_in_one_message(site: Path, words: tuple[str, ...], says: str) -> None:
    done = hissmark("register", str(site), *words)
    assert done.returncode == 1
    assert says in done.stderr


def test_apply_needs_a_name(site: Path) -> None:
    done = hissmark("register", str(site), "move", "AE-1", "XV-9", "--apply")
    assert done.returncode == 2
    assert "--operator" in done.stderr


def test_commissioning_tells_what_is_wrong(learned: Path) -> None:
    done = hissmark("register", str(learned), "commission")
    assert done.returncode == 1
    assert "AE-5 (XV-5, group header): wrong\n    heard: wrong: nothing arrives under AE-5." in done.stdout
    rows = [
        json.loads(r) for r in hissmark("register", str(learned), "commission", "--json").stdout.splitlines()
    ]
    assert [r["channel"] for r in rows] == ["AE-4", "AE-2", "AE-1", "AE-3", "AE-5"]


def test_baselines_are_listed_and_changed(learned: Path) -> None:
    rows = [json.loads(r) for r in hissmark("baselines", str(learned), "list", "--json").stdout.splitlines()]
    states = {row["channel"]: row["state"] for row in rows}
    assert states == {
        "AE-4": "tracking",
        "AE-2": "tracking",
        "AE-1": "tracking",
        "AE-3": "tracking",
        "AE-5": "learning",
    }
    assert "0 ordinary (now)" in hissmark("baselines", str(learned), "list").stdout
    done = hissmark("baselines", str(learned), "approve", "XV-1", *WHO, "--wait", "0")
    assert "AE-1: approve: on record as change 1; it counts when the service runs." in done.stdout
    period = ("--from", "2026-03-01T00:20:00Z", "--to", "2026-03-01T01:20:00Z")
    done = hissmark("baselines", str(learned), "from-period", "AE-2", *period, *WHO, "--wait", "0")
    assert "AE-2: set to 24." in done.stdout
    done = hissmark("baselines", str(learned), "copy", "AE-5", "AE-4", *WHO, "--wait", "0")
    assert "AE-5: set to 22." in done.stdout
    shown = hissmark("baselines", str(learned), "show", "XV-1").stdout
    assert "approve by M. Okafor: as on the survey (waiting for the service)" in shown


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (("approve", "XV-99", *WHO), 1, "There is no channel or valve 'XV-99'"),
        (("approve", "XV-1"), 2, "--operator and --comment are needed"),
        (("copy", "AE-5", "AE-99", *WHO), 1, "Nothing that 'AE-99' has learned is on record"),
        (("from-period", "AE-1", "--from", "2026-01-02", "--to", "2026-01-01", *WHO), 2, "must be earlier"),
        (("from-period", "AE-1", "--from", "2020-01-01", "--to", "2020-01-02", *WHO), 1, "30 are needed"),
    ],
)
def test_baseline_refusals(learned: Path, words: tuple[str, ...], status: int, says: str) -> None:
    done = hissmark("baselines", str(learned), *words)
    assert (done.returncode, says in done.stderr) == (status, True), done.stderr
