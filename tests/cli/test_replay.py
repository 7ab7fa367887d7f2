"""`hissmark replay`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.known_site import hissmark, hissmark_process


@pytest.fixture
def levels(tmp_path: Path) -> Path:
    """An hour of four valves at one sample a minute, with one bad row and a name nobody knows."""
    rows = ["time,name,value"]
    for minute in range(60):
        time = f"2026-03-01T02:{minute:02}:00Z"
        rows += [f"{time},{name},{21 + minute % 3}" for name in ("radio/1", "AX-2", "AX-3", "AX-4")]
    rows += ["2026-03-01T03:00:00Z,AX-2,loud", "2026-03-01T03:00:00Z,AX-77,21"]
    path = tmp_path / "levels.csv"
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


def test_the_journal_is_written_and_accounted_for(fresh_site: Path, levels: Path, tmp_path: Path) -> None:
    out = tmp_path / "journal.jsonl"
    done = hissmark_process("replay", str(fresh_site), "--levels", str(levels), "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert [json.loads(line) for line in out.read_text("utf-8").splitlines()] == []
    assert f"0 journal entries written to {out}." in done.stderr
    assert "240 samples from 2026-03-01T02:00:00Z to 2026-03-01T02:59:00Z" in done.stderr
    assert "Left out as unusable: 1 " in done.stderr
    assert "Not in register.csv: AX-77 (1x)." in done.stderr
    assert not (fresh_site / "data").exists()


def test_a_file_that_is_not_there(fresh_site: Path, tmp_path: Path) -> None:
    done = hissmark_process(
        "replay", str(fresh_site), "--levels", str(tmp_path / "no.csv"), "--out", str(tmp_path / "out.jsonl")
    )
    assert done.returncode == 1
    assert done.stderr.startswith("error: ")
    assert "no.csv" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_empty_span_of_time(fresh_site: Path, levels: Path, tmp_path: Path) -> None:
    span = ("--from", "2026-03-02", "--to", "2026-03-01")
    done = hissmark(
        "replay", str(fresh_site), "--levels", str(levels), "--out", str(tmp_path / "out.jsonl"), *span
    )
    assert done.returncode == 1
    assert "--from is not before --to" in done.stderr


@pytest.mark.parametrize("over", ["levels", "register"])
def test_what_is_read_is_never_written_over(fresh_site: Path, levels: Path, over: str) -> None:
    path = levels if over == "levels" else fresh_site / "register.csv"
    before = path.read_bytes()
    done = hissmark_process("replay", str(fresh_site), "--levels", str(levels), "--out", str(path))
    assert (done.returncode, path.read_bytes()) == (1, before)
    assert "Name another file" in done.stderr
