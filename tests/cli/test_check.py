"""`hissmark check`: what a person, a script and an editor get from it."""

from __future__ import annotations

import json
from pathlib import Path

from cli.known_site import REGISTER, hissmark, hissmark_process


def test_a_sound_site_passes_and_is_counted(fresh_site: Path) -> None:
    done = hissmark("check", str(fresh_site))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1].endswith("1 warning (5 channels, 4 valves, 2 groups).")


def test_warnings_alone_do_not_fail(fresh_site: Path) -> None:
    """Without a broker the site can be replayed but not run."""
    done = hissmark("check", str(fresh_site))
    assert done.returncode == 0
    assert "warning: mqtt: there is no [mqtt] table" in done.stdout


def test_mistakes_fail_with_a_summary_on_stderr(fresh_site: Path) -> None:
    (fresh_site / "register.csv").write_text(REGISTER.replace("panel,2", "panel,1"), "utf-8")
    done = hissmark_process("check", str(fresh_site))
    assert done.returncode == 1
    assert "register.csv:3: error: position: '1' is already in line 2" in done.stdout
    assert done.stderr == f"error: {fresh_site}: 1 error, 1 warning.\n"


def test_json_has_one_problem_a_line(fresh_site: Path) -> None:
    (fresh_site / "site.toml").write_text('name = "x"\n[http]\nport = 0\n', "utf-8")
    done = hissmark("check", str(fresh_site), "--json")
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 1
    assert {(r["file"], r["line"], r["field"], r["severity"]) for r in rows} == {
        ("site.toml", None, "mqtt", "warning"),
        ("site.toml", 3, "http.port", "error"),
    }


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    done = hissmark("check", str(tmp_path / "nowhere"))
    assert done.returncode == 1
    assert "does not exist" in done.stdout
    assert "Traceback" not in done.stderr


def test_names_heard_but_not_registered_are_listed(site: Path) -> None:
    """So that an engineer can add them."""
    done = hissmark("check", str(site))
    assert done.returncode == 0
    assert (
        "Heard but not in register.csv:\n  AX-77  (topic plant/x, 12 times, last value 41.5)" in done.stdout
    )


def test_a_relative_folder_with_an_odd_name(fresh_site: Path) -> None:
    fresh_site.rename(fresh_site.with_name("north works ü"))
    done = hissmark_process("check", "north works ü", cwd=fresh_site.parent)
    assert done.returncode == 0
