"""First pass over the files: what is in them, and whether they can be streamed in order of time.

A file whose rows are never further out of order than memory allows is streamed as it stands. Any other is
first dealt out to temporary files of neighbouring times, each small enough to be sorted in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from hissmark.replay.convert import Converter
from hissmark.replay.files import Opened
from hissmark.replay.rows import I64, Rows, Tally

OnRows = Callable[[int], None]

MAX_BUFFERED_ROWS = 2_000_000
"""A file may be as far out of order as this many rows on average; beyond, it is sorted on disk."""

BUCKET_ROWS = 4_000_000
_MINUTE_US = 60_000_000
_RECORD = np.dtype([("series", np.int32), ("time_us", np.int64), ("value", np.float64)])


class Source(Protocol):
    """Somewhere rows come from, in order of time but for `disorder_us`. Small enough to send to a process."""

    @property
    def first_us(self) -> int: ...
    @property
    def disorder_us(self) -> int: ...
    def rows(self, wanted: dict[str, int], on_rows: OnRows) -> Iterator[Rows]:
        """Rows of the wanted names, under the numbers given there. Reports raw rows read to `on_rows`."""
        ...


@dataclass(frozen=True, slots=True)
class FileSource:
    """A file that is streamed as it stands."""

    path: Path
    from_us: int
    to_us: int
    first_us: int
    last_us: int
    disorder_us: int
    good: int

    def rows(self, wanted: dict[str, int], on_rows: OnRows) -> Iterator[Rows]:
        converter = Converter(wanted, self.from_us, self.to_us)
        for chunk in Opened(self.path).chunks():
            yield converter.rows(chunk)
            on_rows(len(chunk))

    @property
    def must_be_sorted(self) -> bool:
        """Whether so many rows would have to wait for stragglers that memory could not hold them."""
        span_us = max(self.last_us - self.first_us, 1)
        return self.good * min(1.0, self.disorder_us / span_us) > MAX_BUFFERED_ROWS


@dataclass(frozen=True, slots=True)
class BucketSource:
    """A temporary file of rows within a stretch of time, in the order of the file they came from."""

    path: Path
    names: tuple[str, ...]
    first_us: int
    disorder_us: int = 0

    def rows(self, wanted: dict[str, int], on_rows: OnRows) -> Iterator[Rows]:
        records = np.fromfile(self.path, _RECORD)
        lookup = np.array([wanted.get(name, -1) for name in self.names], np.int32)
        series = lookup[records["series"]]
        kept = np.flatnonzero(series >= 0)
        kept = kept[np.argsort(records["time_us"][kept], kind="stable")]
        yield Rows(series[kept], records["time_us"][kept], records["value"][kept])
        on_rows(len(records))


class Calendar:
    """Counts rows per minute, so that buckets can be cut to size."""

    def __init__(self) -> None:
        self._counts: dict[int, int] = {}

    def add(self, time_us: I64) -> None:
        minutes, counts = np.unique(time_us // _MINUTE_US, return_counts=True)
        for minute, count in zip(minutes.tolist(), counts.tolist(), strict=True):
            self._counts[minute] = self._counts.get(minute, 0) + count

    def edges(self, bucket_rows: int) -> I64:
        """Where the buckets begin, µs, ascending; each holds about `bucket_rows` (at least one minute)."""
        found: list[int] = []
        room = 0
        for minute in sorted(self._counts):
            if self._counts[minute] > room:
                found.append(minute * _MINUTE_US)
                room = bucket_rows
            room -= self._counts[minute]
        return np.array(found, np.int64)


def scan(path: Path, converter: Converter, tally: Tally, on_rows: OnRows) -> FileSource:
    """Read a file once: account for every row, find its span of time and how far out of order it is."""
    opened = Opened(path)
    first, front, disorder, good = np.iinfo(np.int64).max, 0, 0, 0
    for chunk in opened.chunks():
        time_us = converter.counted(chunk, tally).time_us
        on_rows(len(chunk))
        if not len(time_us):
            continue
        good += len(time_us)
        first = min(first, int(time_us.min()))
        disorder = max(disorder, front - int(time_us.min()), _disorder(time_us))
        front = max(front, int(time_us.max()))
    opened.count_malformed(tally)
    return FileSource(path, converter.from_us, converter.to_us, first, front, disorder, good)


def _disorder(time_us: I64) -> int:
    """How far the furthest straggler lies behind the front that it should have preceded, µs."""
    if (time_us[1:] >= time_us[:-1]).all():
        return 0
    return int((np.maximum.accumulate(time_us) - time_us).max())


def sort_on_disk(
    source: FileSource, names: tuple[str, ...], folder: Path, on_rows: OnRows, bucket_rows: int = BUCKET_ROWS
) -> list[BucketSource]:
    """Deal the rows of a file out to temporary files by time. Reads it twice more, never holding it."""
    index = {name: i for i, name in enumerate(names)}
    calendar = Calendar()
    for rows in source.rows(index, lambda _: None):
        calendar.add(rows.time_us)
    edges = calendar.edges(bucket_rows)
    paths = [folder / f"{source.path.name}.{i:06d}.rows" for i in range(len(edges))]
    for rows in source.rows(index, on_rows):
        _deal(rows, edges, paths)
    return [BucketSource(path, names, int(edge)) for path, edge in zip(paths, edges, strict=True)]


def _deal(rows: Rows, edges: I64, paths: list[Path]) -> None:
    """Append each row to the bucket of its time, keeping their order."""
    bucket = np.searchsorted(edges, rows.time_us, side="right") - 1
    order = np.argsort(bucket, kind="stable")
    records = np.empty(len(rows), _RECORD)
    records["series"], records["time_us"], records["value"] = rows.series, rows.time_us, rows.value
    records = records[order]
    starts = _run_starts(bucket[order])
    for start, end in zip(starts, [*starts[1:], len(rows)], strict=True):
        with paths[int(bucket[order[start]])].open("ab") as file:
            records[start:end].tofile(file)


def _run_starts(sorted_values: npt.NDArray[np.intp]) -> list[int]:
    """Where each run of equal values begins."""
    if not len(sorted_values):
        return []
    return [0, *(np.flatnonzero(np.diff(sorted_values)) + 1).tolist()]
