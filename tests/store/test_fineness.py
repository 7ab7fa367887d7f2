"""Times of the archive: in milliseconds where that is all there is to them, still one table for readers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from hissmark.decode.columns import Batch
from hissmark.store.archive import fineness, sample_files
from hissmark.store.archive.catalogue import DAY_US, Kind, find
from hissmark.store.archive.forget import Forgetting, Kept
from hissmark.store.archive.place import digest
from hissmark.store.rows import Columns
from support.sealing import D0, NAMES, batch, days, everything, sealer, write

HOUR_US = 3_600_000_000


def coarse(count, seed=1):
    """Days whose times are whole milliseconds."""
    found = days(count, 5, seed)
    return Batch(found.series, found.time_us // 1000 * 1000, found.value, found.flags)


def units(store):
    """Unit of the times of each file, by path."""
    paths = sorted((store.folder / "archive" / "samples").rglob("*.parquet"))
    return [pq.read_schema(path).field("time").type.unit for path in paths]


def as_one_table(store):
    """What pandas reads, as rows."""
    frame = pd.read_parquet(store.folder / "archive" / "samples")
    times = frame["time"].dt.as_unit("us").astype("int64")
    return sorted(zip(frame["name"].astype(str), times, frame["value"], frame["flags"], strict=True))


def assert_on_record(store):
    """What stands on record of each file is what the file is."""
    with store.engine().connect() as connection:
        files = find(connection, Kind.SAMPLES, 0, 1 << 62)
    for file in files:
        path = store.folder / "archive" / file.path
        assert (file.bytes, file.sha256) == (path.stat().st_size, digest(path))


def test_whole_milliseconds_are_kept_as_such(sqlite_store):
    """And come back as they were, from files and as one table."""
    write(sqlite_store, coarse(2))
    before = everything(sqlite_store)
    sealer(sqlite_store).seal_before(D0 + 2 * DAY_US)
    assert set(units(sqlite_store)) == {"ms"}
    assert everything(sqlite_store) == before
    assert as_one_table(sqlite_store) == sorted(before)


def test_milliseconds_take_less_room(tmp_path):
    """A sensor a second or two apart: ten bits of every time are nothing but zeros."""
    rng = np.random.default_rng(2)
    time_us = D0 + (np.arange(20_000) * 1500 + rng.integers(0, 900, 20_000)) * 1000
    held = Columns(time_us, np.zeros(20_000, np.int32), np.full(20_000, 30.0), np.zeros(20_000, np.uint8))
    sizes = []
    for fine in (False, True):
        sample_files.write(tmp_path / "file", held, {0: "AX-1"}, fine=fine)
        sizes.append((tmp_path / "file").stat().st_size / len(held))
        found = sample_files.read(tmp_path / "file", {"AX-1": 0}, 0, 1 << 62)
        assert found.time_us.tolist() == time_us.tolist()
    assert sizes[1] - sizes[0] > 1.1


@pytest.mark.parametrize("fine_day", [0, 1, 2])
def test_one_fine_clock_and_the_folder_is_still_one_table(sqlite_store, fine_day):
    """Whichever day brings the first time between two milliseconds."""
    fine = batch([(1, D0 + fine_day * DAY_US + HOUR_US + 1, 5.0)])
    write(sqlite_store, coarse(3), fine)
    before = everything(sqlite_store)
    for day in range(3):  # as housekeeping does, a day a day
        sealer(sqlite_store).seal_before(D0 + (day + 1) * DAY_US)
    found = units(sqlite_store)
    assert (found[0], found.count("us")) == ("us", 1 if fine_day == 0 else 2)
    assert as_one_table(sqlite_store) == sorted(before)
    assert everything(sqlite_store) == before
    assert_on_record(sqlite_store)


def test_a_day_filed_before_all_others_takes_their_part(sqlite_store):
    """Samples of the past come into an archive that has fine times."""
    fine = batch([(1, D0 + 2 * DAY_US + 1, 5.0)])
    later = coarse(3)
    write(sqlite_store, Batch(*(column[later.time_us >= D0 + DAY_US] for column in fields(later))), fine)
    sealer(sqlite_store).seal_before(D0 + 3 * DAY_US)
    first = later.time_us < D0 + DAY_US
    table = series_ids(sqlite_store)
    past = Columns(later.time_us[first], table[later.series[first]], later.value[first], later.flags[first])
    sealer(sqlite_store).add(D0, past, lambda: None)
    assert units(sqlite_store)[0] == "us"
    assert as_one_table(sqlite_store) == sorted(everything(sqlite_store))
    assert_on_record(sqlite_store)


def test_the_first_days_are_forgotten(sqlite_store):
    """The next fine day sees to it that the file which is now the first one takes over."""
    write(sqlite_store, coarse(4), batch([(0, D0 + 1, 5.0), (0, D0 + 3 * DAY_US + 1, 5.0)]))
    sealer(sqlite_store).seal_before(D0 + 3 * DAY_US)
    Forgetting(sqlite_store.engine(), sqlite_store.archive, Kept(samples=10), {}).forget(D0 + 11 * DAY_US)
    assert set(units(sqlite_store)) == {"ms"}
    sealer(sqlite_store).seal_before(D0 + 4 * DAY_US)
    assert as_one_table(sqlite_store) == sorted(everything(sqlite_store))
    assert_on_record(sqlite_store)


def test_cut_short_between_file_and_record(sqlite_store):
    """The file was written anew, its record was not: the next time puts it right, then nothing is to do."""
    write(sqlite_store, coarse(1))
    sealer(sqlite_store).seal_before(D0 + DAY_US)
    engine, place = sqlite_store.engine(), sqlite_store.archive
    with engine.connect() as connection:
        first = find(connection, Kind.SAMPLES, D0, D0 + 1)[0]
    path = sqlite_store.folder / "archive" / first.path
    names, held = sample_files.read_all(path)
    sample_files.write(path, held, dict(enumerate(names)), fine=True)
    assert fineness.refine_first(engine.begin, place, D0)
    assert_on_record(sqlite_store)
    assert not fineness.refine_first(engine.begin, place, D0)


def fields(found):
    return found.series, found.time_us, found.value, found.flags


def series_ids(store):
    from hissmark.store import series

    with store.engine().connect() as connection:
        ids = {row.name: row.id for row in series.read(connection)}
    return np.array([ids[name] for name in NAMES], np.int32)
