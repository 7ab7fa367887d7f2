"""A year of samples in, and out by every way: what comes out is what went in, to the bit.

Older days lie in the archive, the last ones in the database. Files that came out go in again elsewhere.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from hissmark.backup.restore import restore_backup
from hissmark.backup.write import write_backup
from hissmark.engine.layout import Layout
from hissmark.export.formats import Format, encoded
from hissmark.export.questions import Question, What, answer
from hissmark.imports.run import Import, Target, Wanted
from hissmark.site import load_site
from hissmark.site.load import Site
from hissmark.store import open_for_reading, open_store
from hissmark.store.archive import place
from hissmark.store.reader import Reader
from hissmark.web.api.changes import sample_rows
from support.command import hissmark

START = pd.Timestamp("2025-03-01T00:00:00Z")
END_US = (START + pd.Timedelta(days=365)).value // 1000
DAY_US = 86_400_000_000
NAMES = ("AX-101", "AX-102", "AX-103", "AX-104", "PT-7")
REGISTER = """\
channel,kind,valve,group,position,closed_when
AX-101,valve,XV-101,North,1,PT-7 < 2
AX-102,valve,XV-102,North,2,
AX-103,valve,XV-103,North,3,
AX-104,valve,XV-104,North,4,
"""
SPECIAL = [0.0, -0.0, 5e-324, 1 / 3, -1e9, 123456789.12345679, 22.15]


def recorded(every_s: int) -> pd.DataFrame:
    """A year of every name, and a day of two names at a sample in ten seconds; clocks tick in
    microseconds, values have all their digits. No (name, time) twice.
    """
    rng = np.random.default_rng(every_s)
    parts = []
    for name in NAMES:
        steps = 365 * 86_400 // every_s
        times = [START.value // 1000 + np.arange(steps) * every_s * 1_000_000]
        if name in NAMES[:2]:
            times.append(START.value // 1000 + 100 * DAY_US + np.arange(8640) * 10_000_000 + 5_000_000)
        at_us = np.concatenate(times)
        at_us += rng.integers(0, 4_000_000, len(at_us))
        value = rng.normal(30.0, 4.0, len(at_us))
        value[: len(SPECIAL)] = SPECIAL
        time = pd.to_datetime(at_us, unit="us", utc=True)
        parts.append(pd.DataFrame({"time": time, "name": name, "value": value}))
    return pd.concat(parts).sort_values(["name", "time"]).reset_index(drop=True)


def site_in(folder: Path) -> Site:
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text('name = "North works"\n[store]\nrecent_days = 20\n', "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    return load_site(folder)


def put_in(site: Site, *paths: Path) -> int:
    """Import files as `hissmark import` does, without judging; returns how many samples were new."""
    store = open_store(site.store_url, site.folder)
    layout = Layout.of(site.register, site.core)
    kinds = dict.fromkeys(layout.names, "level") | {"PT-7": "process"}
    target = Target(store, site.archive, layout, kinds, 20, True, lambda *_: [])
    done = Import(target, END_US, lambda *_: None).run(paths, Wanted())
    store.dispose()
    return done.new


@dataclass(frozen=True)
class Year:
    """A site that holds `frame`."""

    frame: pd.DataFrame
    site: Site
    slow: bool

    def reader(self) -> Reader:
        return Reader(open_for_reading(self.site.store_url, self.site.folder), self.site.archive)


def _year(folder: Path, every_s: int) -> Year:
    frame = recorded(every_s)
    shuffled = frame.sample(frac=1, random_state=1)
    shuffled[: len(frame) // 2].to_parquet(folder / "one.parquet")
    shuffled[len(frame) // 3 :].to_parquet(folder / "two.parquet")  # some of it again
    site = site_in(folder / "north")
    assert put_in(site, folder / "one.parquet", folder / "two.parquet") == len(frame)
    return Year(frame, site, slow=every_s < 3600)


@pytest.fixture(
    scope="module",
    params=[pytest.param(3600, id="hourly"), pytest.param(60, id="by the minute", marks=pytest.mark.slow)],
)
def year(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Year]:
    """No power fails here: a thousand small files need not wait for the disk."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(place, "_sync", lambda path: None)
        yield _year(tmp_path_factory.mktemp("year"), request.param)


def pieces(year: Year, form: Format, from_us: int = 0) -> Iterator[bytes]:
    found = answer(year.reader(), Question(What.RAW, NAMES, from_us, 1 << 52))
    return encoded(found.batches, found.schema, form)


def put_to(path: Path, content: Iterator[bytes]) -> Path:
    with path.open("wb") as file:
        file.writelines(content)
    return path


def read(path: Path, form: Format) -> pd.DataFrame:
    """By somebody else's reader."""
    if form is Format.CSV:
        return pd.read_csv(path, dtype={"value": str}).astype({"value": float})
    if form is Format.JSON:
        return pd.DataFrame(json.loads(path.read_text("utf-8"))["rows"])
    if form is Format.ARROW:
        return pa.ipc.open_stream(path.read_bytes()).read_all().to_pandas()
    return pq.read_table(path).to_pandas()


def same(found: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Every sample once, times and values to the bit."""
    found = found.assign(name=found["name"].astype(str), time=pd.to_datetime(found["time"], utc=True))
    found = found.sort_values(["name", "time"])
    assert len(found) == len(expected)
    assert (found["name"].to_numpy() == expected["name"].to_numpy()).all()
    us = [f["time"].dt.as_unit("us").astype("int64").to_numpy() for f in (found, expected)]
    assert (us[0] == us[1]).all()
    assert found["value"].to_numpy().tobytes() == expected["value"].to_numpy().tobytes()


@pytest.mark.parametrize("form", list(Format))
def test_out(year: Year, tmp_path: Path, form: Format) -> None:
    same(read(put_to(tmp_path / f"year.{form}", pieces(year, form)), form), year.frame)


@pytest.mark.parametrize("form", [Format.CSV, Format.PARQUET])
def test_out_and_in_again(year: Year, tmp_path: Path, form: Format) -> None:
    """What was exported makes the same history elsewhere: the last 40 days; when there is time, all of it."""
    from_us = 0 if year.slow else END_US - 40 * DAY_US
    frame = year.frame[year.frame["time"] >= pd.Timestamp(from_us, unit="us", tz="UTC")]
    path = put_to(tmp_path / f"year.{form}", pieces(year, form, from_us))
    again = Year(frame, site_in(tmp_path / "again"), slow=year.slow)
    assert put_in(again.site, path) == len(frame)
    same(read(put_to(tmp_path / "out.parquet", pieces(again, Format.PARQUET)), Format.PARQUET), frame)
    assert put_in(again.site, path) == 0


def test_backup_and_restore(year: Year, tmp_path: Path) -> None:
    made = write_backup(year.site, tmp_path / "backup", END_US)
    restore_backup(made.folder, tmp_path / "restored")
    restored = Year(year.frame, load_site(tmp_path / "restored"), year.slow)
    same(read(put_to(tmp_path / "out.parquet", pieces(restored, Format.PARQUET)), Format.PARQUET), year.frame)


def test_what_followers_were_told(year: Year) -> None:
    """The recent days came through the database: followers have them all, and nothing else."""
    reader, position, rows = year.reader(), 0, []
    names = {row.id: row.name for row in reader.series()}
    while page := reader.arrivals(position, 10_000):
        rows += [row for arrival in page for row in sample_rows(arrival, names)]
        position = page[-1].seq
    recent = year.frame["time"] >= pd.Timestamp(END_US - 20 * DAY_US, unit="us", tz="UTC")
    assert 0.03 < recent.mean() < 0.07
    same(pd.DataFrame(rows), year.frame[recent])


def test_the_archive_by_itself(year: Year) -> None:
    """What pandas and DuckDB read without us is the year without its recent days."""
    import duckdb

    folder = year.site.folder / "data" / "archive" / "samples"
    old = year.frame[year.frame["time"] < pd.Timestamp(END_US - 20 * DAY_US, unit="us", tz="UTC")]
    same(pd.read_parquet(folder), old)
    query = "select epoch_us(time) as us, name, value from read_parquet(?, hive_partitioning = true)"
    rows = duckdb.execute(query, [f"{folder}/**/*.parquet"]).df()
    same(rows.assign(time=pd.to_datetime(rows["us"], unit="us", utc=True)), old)


_KILLED = """
import os, signal, sys
import hissmark.export.formats as formats
whole = formats.encoded
def cut_short(*words):
    for i, piece in enumerate(whole(*words)):
        if i == int(sys.argv[1]):
            os.kill(os.getpid(), signal.SIGKILL)
        yield piece
formats.encoded = cut_short
from hissmark.cli.main import app
app(sys.argv[2:])
"""


@pytest.mark.parametrize(("form", "piece"), [(Format.CSV, "9"), (Format.PARQUET, "0")])
def test_killed_in_the_middle_of_an_export(year: Year, tmp_path: Path, form: Format, piece: str) -> None:
    """The file that was there before stays; the next run gives everything, once."""
    path = tmp_path / f"year.{form}"
    path.write_text("the one of last week", "utf-8")
    words = ["export", str(year.site.folder), "--out", str(path)]
    killed = subprocess.run([sys.executable, "-c", _KILLED, piece, *words], check=False, env=dict(os.environ))
    assert killed.returncode == -signal.SIGKILL
    assert path.read_text("utf-8") == "the one of last week"
    done = hissmark(*words)
    assert done.returncode == 0, done.stderr
    same(read(path, form), year.frame)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
