"""`hissmark history`."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from cli.known_site import SAMPLES, TICKS, hissmark


def rows(site: Path, valve: str, *words: str) -> list[dict[str, Any]]:
    done = hissmark("history", str(site), valve, "--json", *words)
    assert (done.returncode, done.stderr) == (0, "")
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_every_tick_with_its_fields(site: Path) -> None:
    found = rows(site, "XV-101")
    assert len(found) == TICKS
    assert list(found[0]) == [
        "time", "level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "verdict", "reason",
    ]  # fmt: skip
    assert found[0] == {
        "time": "2026-03-01T02:01:00Z", "level_db": 21.0, "l50_db": 22.0, "l10_db": 23.0, "baseline_db": None,
        "rise_db": None, "verdict": "quiet", "reason": "at background",
    }  # fmt: skip
    last = found[-1]
    assert (last["time"], last["rise_db"], last["verdict"]) == ("2026-03-01T05:00:00Z", 14.25, "passing")


def test_raw_has_every_sample_and_nothing_else(site: Path) -> None:
    """Under the channel's name, not the source's; its own percentiles included; full precision."""
    found = rows(site, "XV-101", "--raw")
    levels = [row for row in found if row["channel"] == "AX-1"]
    assert [row["value"] for row in levels] == [21 + i / 8 for i in range(SAMPLES)]
    assert levels[6]["time"] == "2026-03-01T02:01:00Z"
    assert [row for row in found if row["channel"] != "AX-1"] == [
        {"time": "2026-03-01T02:00:00Z", "channel": "AX-1/L90", "value": 20.5}
    ]


def test_raw_values_and_times_are_exact(site: Path) -> None:
    assert rows(site, "XV-102", "--raw") == [
        {"time": "2026-03-01T02:00:01.25Z", "channel": "AX-2", "value": 1 / 3}
    ]


def test_a_reference_point_has_a_history_too(site: Path) -> None:
    assert len(rows(site, "AX-9")) == TICKS
    assert rows(site, "AX-9", "--raw") == []


@pytest.mark.parametrize(
    ("words", "first", "count"),
    [
        (("--from", "2026-03-01T04:00:00Z"), "2026-03-01T04:00:00Z", 61),
        (("--to", "2026-03-01T02:04:00Z"), "2026-03-01T02:01:00Z", 3),
        (("--from", "2026-03-01T02:04:00Z", "--to", "2026-03-01T02:05:00Z"), "2026-03-01T02:04:00Z", 1),
    ],
)
def test_from_is_included_and_to_is_not(site: Path, words: tuple[str, ...], first: str, count: int) -> None:
    found = rows(site, "XV-101", *words)
    assert (found[0]["time"], len(found)) == (first, count)


def test_raw_within_a_span(site: Path) -> None:
    span = ("--from", "2026-03-01T02:01:00Z", "--to", "2026-03-01T02:02:00Z")
    assert [row["value"] for row in rows(site, "XV-101", "--raw", *span)] == [
        21 + i / 8 for i in range(6, 12)
    ]


def test_for_people(site: Path) -> None:
    done = hissmark("history", str(site), "XV-101")
    head, first, *rest = done.stdout.splitlines()
    assert head.split() == ["time", "level", "background", "rise", "L50", "L10", "verdict,", "and", "why"]
    assert first.split()[:4] == ["2026-03-01T02:01:00Z", "21.0", "dB", "-"]
    assert rest[-1].endswith("passing, highest steady rise")
    assert len(rest) == TICKS - 1


def test_nothing_on_record_is_said(site: Path) -> None:
    done = hissmark("history", str(site), "XV-201")
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == "XV-201: nothing is on record for this time.\n"


def test_an_unknown_valve_comes_with_near_names(site: Path) -> None:
    done = hissmark("history", str(site), "xv-103")
    assert done.returncode == 1
    assert done.stderr.startswith("error: 'xv-103' is no valve or channel of North works. Near it: XV-10")


def test_the_end_of_a_pipe_is_taken_quietly(site: Path) -> None:
    """`hissmark history ... | head -1`, with much more to print than a pipe holds."""
    command = [sys.executable, "-m", "hissmark.cli.main", "history", str(site), "XV-101", "--raw", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith("{")
        process.stdout.close()
        errors = process.stderr.read()
    assert (process.returncode, errors) == (0, "")


def test_hour_by_hour(site: Path) -> None:
    """Levels known to the last figure: 21 dB for an hour, then 35.25 dB, ticks from 02:01 to 05:00."""
    found = rows(site, "XV-101", "--every", "1h")
    assert [(row["start"], row["ticks"]) for row in found] == [
        ("2026-03-01T02:00:00Z", 59), ("2026-03-01T03:00:00Z", 60),
        ("2026-03-01T04:00:00Z", 60), ("2026-03-01T05:00:00Z", 1),
    ]  # fmt: skip
    quiet, change, passing, _ = found
    assert (quiet["l90_db"], quiet["l50_db"], quiet["l10_db"], quiet["rise_mean_db"]) == (21, 22, 23, 0)
    assert (quiet["share_quiet"], quiet["share_passing"]) == (1, 0)
    assert (change["min_db"], change["max_db"], change["rise_max_db"]) == (21, 35.25, 14.25)
    assert change["share_passing"] == pytest.approx(59 / 60, abs=1e-4)
    assert (passing["mean_db"], passing["rise_mean_db"], passing["share_passing"]) == (35.25, 14.25, 1)


def test_periods_within_a_span(site: Path) -> None:
    span = ("--from", "2026-03-01T03:30:00Z", "--to", "2026-03-01T04:10:00Z")
    found = rows(site, "XV-101", "--every", "30min", *span)
    assert [(row["start"][11:16], row["ticks"]) for row in found] == [("03:30", 30), ("04:00", 10)]


def test_csv_is_what_json_is(site: Path) -> None:
    done = hissmark("history", str(site), "XV-101", "--every", "10min", "--csv")
    lines = list(csv.DictReader(io.StringIO(done.stdout)))
    found = rows(site, "XV-101", "--every", "10min")
    assert [list(line) for line in lines] == [list(row) for row in found]
    assert len(found) == 19
    for line, row in zip(lines, found, strict=True):
        assert (line["start"], float(line["mean_db"])) == (row["start"], row["mean_db"])


def test_periods_for_people(site: Path) -> None:
    """The newest 24 unless they say from when; what the figures are is said below."""
    done = hissmark("history", str(site), "XV-101", "--every", "1h")
    head, first, *rest = done.stdout.splitlines()
    assert head.split() == [
        "from", "ticks", "mean", "L90", "L50", "L10", "min", "max", "rise", "max", "rise", "verdicts",
    ]  # fmt: skip
    assert first.split() == ["2026-03-01T02:00Z", "59", "21.0", "21.0", "22.0", "23.0", "21.0", "21.0",
                             "0.0", "0.0", "quiet"]  # fmt: skip
    assert rest[0].endswith("passing 98 %, quiet 2 %")
    assert "exceeded by 90 % of the ticks' floors" in done.stdout
    assert "not proof of isolation" in done.stdout


def test_people_are_shown_the_newest_periods_only(site: Path) -> None:
    """Samples of the site end at 15:53:10 (5000, ten seconds apart): 24 periods up to then hold no tick."""
    done = hissmark("history", str(site), "XV-101", "--every", "10min")
    assert done.stderr == "XV-101: nothing is on record for this time.\n"
    everything = hissmark("history", str(site), "XV-101", "--every", "10min", "--from", "2026-03-01")
    assert everything.stdout.count("2026-03-01T") == 19


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--every", "fortnight"), "no period such as 10min"),
        (("--every", "10s"), "no period between 1min and 31d"),
        (("--every", "400d"), "no period between 1min and 31d"),
        (("--every", "1h", "--raw"), "give one of them"),
        (("--csv",), "--csv goes with --every"),
        (("--every", "1h", "--csv", "--json"), "not both"),
    ],
)
def test_wrong_usage_of_periods(site: Path, words: tuple[str, ...], says: str) -> None:
    done = hissmark("history", str(site), "XV-101", *words)
    assert done.returncode == 2
    assert says in " ".join(done.stderr.replace("│", " ").split())
