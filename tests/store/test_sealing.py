"""Sealing: at any moment and after any failure every sample is read exactly once."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hissmark.store import StoreError
from hissmark.store.archive import catalogue
from hissmark.store.archive.catalogue import DAY_US, Kind
from hissmark.store.reader import Reader
from support.sealing import D0, batch, days, everything, in_database, sealer, write
from support.stores import Store


class StoppedError(Exception):
    """Sealing is cut short."""


def stop_at(number):
    """A `step` that stops at the given step."""
    count = 0

    def step(name):
        nonlocal count
        count += 1
        if count > number:
            raise StoppedError(name)

    return step


def files_of(store, kind=Kind.SAMPLES):
    with store.engine().connect() as connection:
        return catalogue.find(connection, kind, 0, 1 << 62)


def test_what_is_read_does_not_change(store):
    """To the bit and in the same order, in parts of any size; the database keeps the recent day only."""
    write(store, days(3, 50))
    before = everything(store)
    done = sealer(store).seal_before(D0 + 2 * DAY_US)
    assert [(d.day_us - D0, d.new, d.rows) for d in done] == [(0, 200, 200), (DAY_US, 200, 200)]
    assert in_database(store) == 200
    assert everything(store) == before
    assert everything(store, page_rows=7) == before
    part = (D0 + DAY_US // 2, D0 + 2 * DAY_US + DAY_US // 2)
    assert everything(store, *part) == [row for row in before if part[0] <= row[1] < part[1]]
    assert store.reader().sample_count() == 600
    extent = store.reader().sample_extent()
    assert (extent.first_us, extent.last_us) == (before[0][1], before[-1][1])


def test_a_day_that_is_not_over_is_left(store):
    write(store, days(1, 5))
    assert sealer(store).seal_before(D0 + DAY_US - 1) == []
    assert in_database(store) == 20


def test_few_names_of_many(store):
    """One channel's samples, whatever else is in the same files."""
    write(store, days(2, 40))
    sealer(store).seal_before(D0 + DAY_US)
    (first, *rest) = list(store.reader().raw(["XV-103", "unheard of", "XV-101"], 0, 1 << 62))
    assert not rest
    assert sorted(set(first.series.tolist())) == [0, 2]
    assert len(first) == 160
    assert (np.diff(first.time_us) >= 0).all()


def test_late_samples_are_merged(store):
    """Seen at once, then in a new generation of the file; the first value of a key stays."""
    writer = write(store, batch([(1, D0 + 5, 40.0), (1, D0 + 9, 41.0), (3, D0 + 9, 50.0)]))
    sealer(store).seal_before(D0 + DAY_US)
    with writer.transaction() as tx:
        tx.samples(batch([(1, D0 + 7, 43.0), (1, D0 + 9, 99.0), (2, D0 + 1, 12.0)], flags=1))
    late = [("XV-102", D0 + 1, 12.0, 1), ("XV-101", D0 + 7, 43.0, 1)]
    on_time = [("XV-101", D0 + 5, 40.0, 0), ("XV-101", D0 + 9, 41.0, 0), ("XV-103", D0 + 9, 50.0, 0)]
    together = sorted(late + on_time, key=lambda row: (row[1], row[0]))
    assert everything(store) == together
    assert [d.new for d in sealer(store).seal_before(D0 + DAY_US)] == [2]
    assert everything(store) == together
    assert in_database(store) == 0
    assert [(f.group, f.generation, f.rows) for f in files_of(store)] == [
        ("North", 2, 4),
        ("South yard/2", 1, 1),
    ]


def test_a_series_stays_in_its_file_when_its_group_changes(store):
    """Late samples of a valve that has moved since do not land in a second file of that day."""
    writer = write(store, batch([(1, D0 + 5, 40.0)]))
    sealer(store).seal_before(D0 + DAY_US)
    with writer.transaction() as tx:
        tx.samples(batch([(1, D0 + 6, 41.0), (1, D0 + DAY_US, 42.0)]))
    moved = sealer(store)
    moved._groups = {"XV-101": "South"}
    moved.seal_before(D0 + 2 * DAY_US)
    assert [(f.start_us - D0, f.group, f.rows) for f in files_of(store)] == [
        (0, "North", 2),
        (DAY_US, "South", 1),
    ]


def test_stopped_anywhere_nothing_is_lost_or_doubled(tmp_path):
    """At every single step, with late samples for a sealed day; the next run finishes, and the folder itself
    holds each sample once.
    """
    first = Store("sqlite:///data/hissmark.db", tmp_path / "first")
    writer = write(first, days(1, 30))
    sealer(first).seal_before(D0 + DAY_US)
    with writer.transaction() as tx:
        tx.samples(days(1, 30, seed=2))
    before = everything(first)
    first.close()
    for number in range(100):
        copy = shutil.copytree(first.folder, tmp_path / str(number))
        if not stopped_and_finished(Store(first.url, copy), number, before):
            break
    assert number == 2 + 3 * (2 * 3 + 1) + 1  # collect, plan, 3 groups of 3 files and a record, delete


def stopped_and_finished(store, number, before):
    """Stop at a step, look, finish, look; False if the step was never reached."""
    try:
        sealer(store, step=stop_at(number)).seal_before(D0 + DAY_US)
        stopped = False
    except StoppedError:
        stopped = True
    assert everything(store) == before
    sealer(store).seal_before(D0 + DAY_US)
    assert in_database(store) == 0
    assert everything(store) == before
    assert_folder_holds(store, before)
    store.close()
    return stopped


def assert_folder_holds(store, rows):
    """Read by pandas, without us."""
    import pandas as pd

    frame = pd.read_parquet(store.folder / "archive" / "samples")
    times = frame["time"].dt.as_unit("us").astype("int64")
    found = zip(frame["name"].astype(str), times, frame["value"], frame["flags"], strict=True)
    assert sorted(found) == sorted(rows)


_KILLED = """
import os, signal, sys
from pathlib import Path
from hissmark.store import open_store
from hissmark.store.archive.place import Folder
from hissmark.store.archive.seal import Sealer
folder, number = Path(sys.argv[1]), int(sys.argv[2])
count = 0
def step(name):
    global count
    count += 1
    if count > number:
        os.kill(os.getpid(), signal.SIGKILL)
engine = open_store("sqlite:///data/hissmark.db", folder)
groups = {"XV-101": "North", "XV-102": "North", "XV-103": "South"}
Sealer(engine, Folder(folder / "archive"), groups, lambda: 0, rest=0, step=step).seal_before(int(sys.argv[3]))
"""


@pytest.mark.parametrize("number", [1, 4, 7, 9, 15])
def test_killed_anywhere_nothing_is_lost_or_doubled(sqlite_store, number):
    """SIGKILL: what was not durable is gone, no handler runs."""
    store = sqlite_store
    write(store, days(2, 40))
    before = everything(store)
    command = [sys.executable, "-c", _KILLED, str(store.folder), str(number), str(D0 + 2 * DAY_US)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    assert everything(store) == before
    sealer(store).seal_before(D0 + 2 * DAY_US)
    assert in_database(store) == 0
    assert everything(store) == before
    assert_folder_holds(store, before)


def test_readers_beside_sealing(store):
    """Whoever reads while a day moves from one place to the other sees it whole, whatever the size of
    pages.
    """
    write(store, days(3, 60))
    before = everything(store)
    sealing, slips = threading.Event(), []

    def read():
        while not sealing.is_set():
            slips.extend(n for n in (11, 100, 50_000) if everything(store, page_rows=n) != before)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for reader in readers:
        reader.start()
    sealer(store).seal_before(D0 + 3 * DAY_US)
    sealing.set()
    for reader in readers:
        reader.join()
    assert slips == []
    assert everything(store) == before


moments = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 11), st.integers(0, 3), st.booleans()),
    min_size=1,
    max_size=30,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moments)
def test_any_order_gives_the_same_history(tmp_path_factory, moments):
    """Late, doubled and out of order, sealed in between at any time: the first value of each key, once."""
    store = Store("sqlite:///data/hissmark.db", tmp_path_factory.mktemp("any"))
    try:
        writer, expected = write(store), {}
        for series, hours, value, seal in moments:
            time_us = D0 + hours * DAY_US // 4
            with writer.transaction() as tx:
                tx.samples(batch([(series, time_us, float(value))]))
            expected.setdefault((time_us, series), float(value))
            if seal:
                sealer(store).seal_before(D0 + 2 * DAY_US)
        found = {(t, ("PT-1", "XV-101", "XV-102", "XV-103").index(n)): v for n, t, v, _ in everything(store)}
        assert found == expected
        assert len(everything(store)) == len(expected)
    finally:
        store.close()


def test_what_is_read_loads_no_pandas(sqlite_store):
    """It takes a third of a second, in every process of a trial before it has read its first sample."""
    write(sqlite_store, days(1, 50))
    sealer(sqlite_store).seal_before(D0 + DAY_US)
    file = next(f.path for f in files_of(sqlite_store) if "North" in f.path)
    code = (
        "import sys; from hissmark.store.archive import sample_files\n"
        f"found = sample_files.read({sqlite_store.archive.open(file)!r}, {{'XV-101': 3}}, 0, 1 << 62)\n"
        "print(len(found), 'pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "50 False\n"


def test_read_by_duckdb(sqlite_store):
    """Day and group come as columns, names decoded, types as the manual says."""
    import duckdb

    write(sqlite_store, days(2, 25))
    sealer(sqlite_store).seal_before(D0 + 2 * DAY_US)
    glob = str(sqlite_store.folder / "archive" / "samples" / "**" / "*.parquet")
    rows = duckdb.sql(
        'select day, "group", name, count(*), min(epoch_us(time)) from '
        f"read_parquet('{glob}', hive_partitioning=true) group by all order by all"
    ).fetchall()
    assert len(rows) == 8
    assert {str(r[0]) for r in rows} == {"2026-03-01", "2026-03-02"}
    assert {r[3] for r in rows} == {25}
    assert "South yard/2" in {r[1] for r in rows}


def test_the_archive_is_missed(sqlite_store):
    """Without the place, and with a file gone: a message that says what to do, never a silent gap."""
    store = sqlite_store
    write(store, days(1, 5))
    sealer(store).seal_before(D0 + DAY_US)
    with pytest.raises(StoreError, match=r"\[store\] archive"):
        list(Reader(store.engine()).raw(["XV-101"], 0, 1 << 62))
    for path in Path(store.folder / "archive").rglob("*.parquet"):
        path.unlink()
    with pytest.raises(StoreError, match="Restore it from a backup"):
        everything(store)


def test_a_store_that_fsspec_reaches(sqlite_store):
    """The same through another kind of store than a folder."""
    from hissmark.store.archive.place import Remote, place_of
    from hissmark.store.archive.seal import Sealer
    from support.sealing import GROUPS, NAMES

    write(sqlite_store, days(2, 20))
    before = everything(sqlite_store)
    place = place_of(f"memory://{sqlite_store.folder.name}", sqlite_store.folder)
    assert isinstance(place, Remote)
    Sealer(sqlite_store.engine(), place, GROUPS, lambda: 0, rest=0).seal_before(D0 + 2 * DAY_US)
    pages = Reader(sqlite_store.engine(), place).raw(NAMES, 0, 1 << 62)
    assert sum(len(page) for page in pages) == len(before) == 160
