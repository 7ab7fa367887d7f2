"""Bringing files into order of time, within memory or by sorting on disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.decode.columns import Batch
from hissmark.demo.plant import Plant
from hissmark.demo.story import S
from hissmark.replay import files
from hissmark.replay.convert import Converter
from hissmark.replay.merge import in_time_order
from hissmark.replay.rows import Rows, Tally
from hissmark.replay.sources import FileSource, scan, sort_on_disk
from support.sample_files import picked, write_parquet

START_US = 1_790_000_000 * S
PLANT = Plant(1)
INDEX = {name: i for i, name in enumerate(PLANT.names)}


def hour() -> Batch:
    return PLANT.samples(START_US, START_US + 3600 * S)


def scanned(path: Path) -> FileSource:
    return scan(path, Converter(INDEX, 0, 1 << 62), Tally(), lambda rows: None)


def merged(sources: list, wanted: dict[str, int] = INDEX) -> Rows:
    parts = list(in_time_order(sources, wanted, lambda rows: None))
    rows = Rows.joined(parts)
    assert np.all(np.diff(rows.time_us) >= 0)
    return rows


def as_set(rows: Rows | Batch) -> list[tuple[int, int, float]]:
    return sorted(zip(rows.time_us.tolist(), rows.series.tolist(), rows.value.tolist(), strict=True))


@pytest.fixture
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "CHUNK_ROWS", 1000)


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("jumble_s", [0, 5, 60, 700])
def test_rows_out_of_order_come_out_in_order(tmp_path: Path, jumble_s: float) -> None:
    batch = hour()
    noise = np.random.default_rng(1).uniform(0, jumble_s * S + 1, len(batch))
    order = np.argsort(batch.time_us + noise, kind="stable")
    source = scanned(write_parquet(tmp_path / "a.parquet", PLANT.names, picked(batch, order)))
    assert source.disorder_us <= jumble_s * S + 1
    assert as_set(merged([source])) == as_set(batch)


@pytest.mark.usefixtures("small_chunks")
def test_files_that_overlap_or_follow_each_other_become_one_stream(tmp_path: Path) -> None:
    batch = hour()
    third = len(batch) // 3
    pieces = [slice(0, third), slice(third, 2 * third), slice(2 * third, None)]
    follow = [np.arange(len(batch))[p] for p in pieces]
    overlap = [np.arange(i, len(batch), 3) for i in range(3)]
    for name, parts in (("follow", follow), ("overlap", overlap)):
        sources = [
            scanned(write_parquet(tmp_path / f"{name}{i}.parquet", PLANT.names, picked(batch, rows)))
            for i, rows in enumerate(parts)
        ]
        assert as_set(merged(sources[::-1])) == as_set(batch)


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("bucket_rows", [500, 5000, 1_000_000])
def test_a_file_in_any_order_is_sorted_on_disk(tmp_path: Path, bucket_rows: int) -> None:
    batch = hour()
    order = np.random.default_rng(2).permutation(len(batch))
    source = scanned(write_parquet(tmp_path / "a.parquet", PLANT.names, picked(batch, order)))
    buckets = sort_on_disk(source, PLANT.names, tmp_path, lambda rows: None, bucket_rows)
    assert len(buckets) == pytest.approx(len(batch) / bucket_rows, rel=0.5, abs=1)
    assert as_set(merged(list(buckets))) == as_set(batch)


def test_only_wanted_names_under_the_numbers_given(tmp_path: Path) -> None:
    batch = hour()
    source = scanned(write_parquet(tmp_path / "a.parquet", PLANT.names, batch))
    buckets = sort_on_disk(source, PLANT.names, tmp_path, lambda rows: None)
    for sources in ([source], list(buckets)):
        rows = merged(sources, {"AE-104": 1, "AE-300": 0})
        assert np.array_equal(
            np.bincount(rows.series),
            [np.sum(batch.series == INDEX["AE-300"]), np.sum(batch.series == INDEX["AE-104"])],
        )


@pytest.mark.parametrize("on_disk", [False, True])
def test_of_two_values_for_one_moment_the_first_comes_first(tmp_path: Path, on_disk: bool) -> None:
    """The engine keeps the first of a duplicate, so file order must survive sorting."""
    later, earlier = START_US + 60 * S, START_US
    time_us = np.array([later, earlier, later, earlier], np.int64)
    batch = Batch(np.zeros(4, np.int32), time_us, np.array([1.0, 2.0, 3.0, 4.0]), np.zeros(4, np.uint8))
    source = scanned(write_parquet(tmp_path / "a.parquet", PLANT.names, batch))
    sources = sort_on_disk(source, PLANT.names, tmp_path, lambda rows: None) if on_disk else [source]
    assert merged(list(sources)).value.tolist() == [2.0, 4.0, 1.0, 3.0]


class Listed:
    """A source out of memory, chunk by chunk."""

    def __init__(self, chunks: list[list[int]]) -> None:
        flat = [t for chunk in chunks for t in chunk]
        front = np.maximum.accumulate(flat)
        self.first_us = min(flat)
        self.disorder_us = int((front - np.array(flat)).max())
        self.chunks = chunks

    def rows(self, wanted: dict[str, int], on_rows: object) -> object:
        for chunk in self.chunks:
            n = len(chunk)
            yield Rows(np.zeros(n, np.int32), np.array(chunk, np.int64), np.zeros(n))


CHUNKS = st.lists(st.lists(st.integers(0, 50), max_size=5), min_size=1, max_size=6).filter(any)


@settings(max_examples=300, deadline=None)
@given(st.lists(CHUNKS, min_size=1, max_size=4))
def test_any_sources_in_any_chunks_come_out_sorted_and_complete(sources: list[list[list[int]]]) -> None:
    """Compared with Python's own sort."""
    rows = merged([Listed(chunks) for chunks in sources])
    assert rows.time_us.tolist() == sorted(t for chunks in sources for chunk in chunks for t in chunk)
