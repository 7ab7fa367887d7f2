"""`hissmark import`: whatever the file looks like, the same history comes of it, and the verdicts of
replay.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cli.known_site import hissmark
from hissmark.daemon.service import Daemon
from hissmark.site import load_site
from support.broker import Broker, free_port
from support.recorded import write_site

START = pd.Timestamp("2026-03-01T20:00:00Z")
BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
LEAK = {"AE-2": 16.0, "AE-4": 9.0, "AE-1": 9.0, "AE-3": 4.0, "AE-5": 2.0}


def recorded(hours: float = 9, every_s: float = 30.0, seed: int = 2) -> pd.DataFrame:
    """Five sensors of a header; XV-2 leaks from the fourth hour on. Long form."""
    rng = np.random.default_rng(seed)
    parts = []
    for name, base in BASE.items():
        t = np.arange(0, hours * 3600, every_s) + np.round(rng.uniform(0, 5), 3)
        value = base + rng.normal(0, 0.4, len(t)) + np.where(t > 4 * 3600, LEAK[name], 0.0)
        parts.append(
            pd.DataFrame({"time": START + pd.to_timedelta(t, unit="s"), "name": name, "value": value})
        )
    t = np.arange(0, hours * 3600, 60.0)
    parts.append(pd.DataFrame({"time": START + pd.to_timedelta(t, unit="s"), "name": "ZT-1", "value": 0.5}))
    return pd.concat(parts).sort_values("time", kind="stable").reset_index(drop=True)


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    return recorded()


@pytest.fixture(scope="module")
def levels(frame: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("levels") / "levels.parquet"
    frame.to_parquet(path)
    return path


@pytest.fixture(scope="module")
def whole(levels: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site into which everything was imported at once."""
    folder = write_site(tmp_path_factory.mktemp("whole") / "north")
    done = hissmark("import", str(folder), str(levels))
    assert done.returncode == 0, done.stderr
    return folder


def told(folder: Path) -> dict[str, list[str]]:
    """What the commands say of a site: samples, ticks, sums, verdicts."""
    found = {}
    for valve in ("XV-2", "XV-1"):
        found[f"{valve} raw"] = hissmark("history", str(folder), valve, "--raw", "--json").stdout.splitlines()
        found[f"{valve} ticks"] = hissmark("history", str(folder), valve, "--json").stdout.splitlines()
        found[f"{valve} hours"] = hissmark(
            "history", str(folder), valve, "--every", "1h", "--json"
        ).stdout.splitlines()
    found["now"] = hissmark("verdicts", str(folder), "--json").stdout.splitlines()
    return found


def journal(folder: Path) -> list[dict[str, object]]:
    return [json.loads(row) for row in hissmark("alarms", str(folder), "--json").stdout.splitlines()]


KEYS = ("at", "valve", "group", "alarm", "event", "state", "priority", "rise_db", "margin_db", "reason")


def test_the_journal_is_that_of_replay(whole: Path, levels: Path, tmp_path: Path) -> None:
    """Same core: what `replay` says of the file, and nobody is called out for it."""
    out = tmp_path / "journal.jsonl"
    assert hissmark("replay", str(whole), "--levels", str(levels), "--out", str(out)).returncode == 0
    replayed = [json.loads(row) for row in out.read_text("utf-8").splitlines()]
    found = journal(whole)
    assert [[r[k] for k in KEYS] for r in found] == [[r[k] for k in KEYS] for r in replayed]
    assert {r["origin"] for r in found} == {"back-fill"}
    assert any((r["valve"], r["alarm"], r["event"]) == ("XV-2", "passing", "raised") for r in found)


def test_samples_are_those_of_the_file(whole: Path, frame: pd.DataFrame, tmp_path: Path) -> None:
    """To the bit; old days went straight into the archive."""
    out = tmp_path / "out.parquet"
    assert hissmark("export", str(whole), "--out", str(out)).returncode == 0
    found = pd.read_parquet(out).sort_values(["name", "time"])
    expected = frame.sort_values(["name", "time"])
    assert found["name"].astype(str).tolist() == expected["name"].tolist()
    assert (found["time"].to_numpy() == expected["time"].dt.as_unit("us").to_numpy()).all()
    assert found["value"].to_numpy().tobytes() == expected["value"].to_numpy().tobytes()
    assert len(list((whole / "data" / "archive" / "samples").rglob("*.parquet"))) == 2


def test_again_changes_nothing(whole: Path, levels: Path) -> None:
    before, entries = told(whole), journal(whole)
    done = hissmark("import", str(whole), str(levels))
    assert "0 are new" in done.stderr
    assert "Judged again" not in done.stderr
    assert (told(whole), journal(whole)) == (before, entries)


def test_in_parts_and_out_of_order(whole: Path, frame: pd.DataFrame, tmp_path: Path) -> None:
    """One sensor is missing for hours and comes later, in a wide CSV and in pieces: the same history in the
    end.
    """
    folder = write_site(tmp_path / "north")
    hours = (frame["time"] - START) / pd.Timedelta(hours=1)
    late = (frame["name"] == "AE-2") & (hours > 2) & (hours < 5.5) | (hours > 7.5) & (frame["name"] == "AE-4")
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    shuffled = frame[~late].sample(frac=1, random_state=1)
    shuffled.assign(time=shuffled["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")).to_csv(first, index=False)
    wide = frame[late].pivot(index="time", columns="name", values="value").reset_index()
    wide.assign(time=wide["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")).to_csv(second, index=False)
    assert hissmark("import", str(folder), str(first)).returncode == 0
    assert told(folder)["XV-2 ticks"] != told(whole)["XV-2 ticks"]
    done = hissmark("import", str(folder), str(second))
    assert done.returncode == 0, done.stderr
    assert "Judged again: header from 2026-03-01T22:00" in done.stderr
    assert told(folder) == told(whole)


def test_dry_run_stores_nothing(frame: pd.DataFrame, levels: Path, tmp_path: Path) -> None:
    folder = write_site(tmp_path / "north")
    done = hissmark("import", str(folder), str(levels), "--dry-run")
    assert done.returncode == 0
    assert f"{len(frame):,} samples from 2026-03-01T20:00:0" in done.stderr
    assert "header from 2026-03-01T20:00:0" in done.stderr
    assert not (folder / "data" / "archive").exists()
    assert hissmark("history", str(folder), "XV-2", "--raw", "--json").stdout == ""


def test_voltages(tmp_path: Path) -> None:
    """dB_AE = 20 lg(V / 1 uV at the sensor) (ASTM E1316 / EN 1330-9, from memory): 1 mV is 60 dB; behind 40
    dB of gain 100 mV are 60 dB too. Process values are left as they are.
    """
    folder = write_site(tmp_path / "north")
    path = tmp_path / "volts.csv"
    path.write_text(
        "time,name,value\n2026-03-01T00:00:00Z,AE-1,1\n2026-03-01T00:00:10Z,AE-1,0\n2026-03-01T00:00:00Z,ZT-1,1\n",
        "utf-8",
    )
    assert hissmark("import", str(folder), str(path), "--unit", "mV").returncode == 2
    done = hissmark("import", str(folder), str(path), "--unit", "mV", "--reference-uv", "1")
    assert "1 voltages" in done.stderr
    rows = [
        json.loads(r) for r in hissmark("history", str(folder), "XV-1", "--raw", "--json").stdout.splitlines()
    ]
    assert [round(r["value"], 6) for r in rows] == [60.0]
    path.write_text("time,name,value\n2026-03-01T00:01:00Z,AE-1,0.1\n", "utf-8")
    hissmark("import", str(folder), str(path), "--unit", "V", "--reference-uv", "1", "--gain-db", "40")
    rows = [
        json.loads(r) for r in hissmark("history", str(folder), "XV-1", "--raw", "--json").stdout.splitlines()
    ]
    assert [round(r["value"], 6) for r in rows] == [60.0, 60.0]


def test_what_cannot_be_used_is_told(tmp_path: Path) -> None:
    folder = write_site(tmp_path / "north")
    path = tmp_path / "odd.csv"
    path.write_text(
        "time,name,value\nthen,AE-1,20\n2026-03-01T00:00:00Z,AE-9,20\n2026-03-01T00:00:00Z,AE-1,21\n", "utf-8"
    )
    done = hissmark("import", str(folder), str(path))
    assert (done.returncode, "1 samples" in done.stderr) == (0, True)
    assert "bad-time" in done.stderr
    assert "AE-9 (1x)" in done.stderr
    assert hissmark("import", str(folder), str(tmp_path / "none.csv")).returncode == 1


def test_killed_and_run_again(whole: Path, levels: Path, tmp_path: Path) -> None:
    """SIGKILL at several moments; the last run comes to the same history."""
    folder = write_site(tmp_path / "north")
    command = [sys.executable, "-m", "hissmark.cli.main", "import", str(folder), str(levels)]
    for wait_s in (1.5, 2.5, 4.0):
        process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        time.sleep(wait_s)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
    done = hissmark("import", str(folder), str(levels))
    assert done.returncode == 0, done.stderr
    assert told(folder) == told(whole)


@pytest.mark.broker
def test_beside_a_running_service(whole: Path, frame: pd.DataFrame, tmp_path: Path, broker: Broker) -> None:
    """The service judges again and goes on; what it says is what a site says that had everything at once."""
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\nclient_id = "hissmark-import"\n'
    source = '[[mqtt.source]]\nfilter = "plant/+/levels"\nformat = "senml"\n'
    folder = write_site(tmp_path / "north", f"{mqtt}{source}[http]\nport = {free_port()}\n")
    hours = (frame["time"] - START) / pd.Timedelta(hours=1)
    late = (frame["name"] == "AE-2") & (hours > 2) & (hours < 8)
    first, second = tmp_path / "first.parquet", tmp_path / "second.parquet"
    frame[~late].to_parquet(first)
    frame[late].to_parquet(second)
    assert hissmark("import", str(folder), str(first)).returncode == 0
    daemon = Daemon(load_site(folder))
    daemon.start()
    try:
        done = hissmark("import", str(folder), str(second))
        assert "The running service judges again" in done.stderr, done.stderr
        daemon.backfill.run()
        assert daemon.reader.backfill_marks() == []
        assert told(folder) == told(whole)
        alarms = {a["valve"] for a in json.loads(_get(f"{daemon.address}/api/v1/alarms"))["alarms"]}
        assert "XV-2" in alarms
    finally:
        daemon.stop()


def _get(url: str) -> bytes:
    import httpx

    for _ in range(50):
        content: bytes = httpx.get(url).content
        if json.loads(content)["alarms"]:
            return content
        time.sleep(0.1)
    return content
