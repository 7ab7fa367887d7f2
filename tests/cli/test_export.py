"""`hissmark export` and `hissmark legal-hold`: files that others read, and holds on record."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from cli.known_site import SAMPLES, hissmark


def raw(site: Path) -> list[tuple[str, float]]:
    rows = hissmark("history", str(site), "XV-101", "--raw", "--json").stdout.splitlines()
    return [(json.loads(row)["time"], json.loads(row)["value"]) for row in rows if '"AX-1"' in row]


def test_samples_in_every_format(site: Path, tmp_path: Path) -> None:
    """The same rows whichever way; `history --raw` has them too."""
    expected = [value for _, value in raw(site)]
    for ending in ("parquet", "csv", "arrow", "json"):
        out = tmp_path / f"out.{ending}"
        done = hissmark("export", str(site), "--out", str(out), "--valve", "XV-101")
        assert done.returncode == 0, done.stderr
        assert f"{len(expected):,} rows written" in done.stderr
        if ending == "csv":
            with out.open(newline="") as file:
                found = [float(row["value"]) for row in csv.DictReader(file)]
        elif ending == "json":
            found = [row["value"] for row in json.loads(out.read_text("utf-8"))["rows"]]
        elif ending == "arrow":
            found = pa.ipc.open_stream(out.read_bytes()).read_all()["value"].to_pylist()
        else:
            found = pd.read_parquet(out)["value"].tolist()
        assert found == expected
    assert len(expected) == SAMPLES
    assert list(tmp_path.glob("*.part")) == []


def test_sums_and_records(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.parquet"
    assert hissmark("export", str(site), "--out", str(out), "--what", "minute").returncode == 0
    minutes = pd.read_parquet(out)
    assert set(minutes["how"]) <= {"energy", "plain"}
    assert minutes["n"].sum() > SAMPLES
    assert hissmark("export", str(site), "--out", str(out), "--what", "journal").returncode == 0
    journal = hissmark("alarms", str(site), "--journal", "--json").stdout.splitlines()
    assert len(pd.read_parquet(out)) == len(journal)


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--out", "x.txt"], 2, "ending"),
        (["--out", "x.csv", "--valve", "XV-999"], 1, "XV-999"),
        (["--out", "x.csv", "--every", "moon"], 2, "moon"),
        (["--out", "x.csv", "--from", "then"], 2, "then"),
    ],
)
def test_mistakes_are_told(site: Path, words: list[str], code: int, told: str) -> None:
    done = hissmark("export", str(site), *words)
    assert done.returncode == code
    assert told in done.stderr


def test_holds(site: Path) -> None:
    span = ["--from", "2026-03-01", "--to", "2026-03-02"]
    placed = hissmark(
        "legal-hold", "place", str(site), "--valve", "XV-101", *span, "--reason", "r", "--by", "mia"
    )
    assert (placed.returncode, placed.stdout) == (0, "Hold 1 is placed: XV-101 stays.\n")
    (row,) = [json.loads(r) for r in hissmark("legal-hold", "list", str(site), "--json").stdout.splitlines()]
    assert (row["valve"], row["from"], row["placed_by"]) == ("XV-101", "2026-03-01T00:00:00Z", "mia")
    assert "XV-101" in hissmark("legal-hold", "list", str(site)).stdout
    assert hissmark("legal-hold", "release", str(site), "1", "--by", "mia").returncode == 0
    again = hissmark("legal-hold", "release", str(site), "1", "--by", "mia")
    assert (again.returncode, "There is no hold 1" in again.stderr) == (1, True)
    wrong = hissmark(
        "legal-hold",
        "place",
        str(site),
        "--from",
        "2026-03-02",
        "--to",
        "2026-03-01",
        "--reason",
        "r",
        "--by",
        "m",
    )
    assert wrong.returncode == 2
