"""Rows of files by day, in memory while they fit, else in temporary files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from hissmark.replay.rows import Rows
from hissmark.store.archive.catalogue import DAY_US

ROWS_IN_MEMORY = 4_000_000
_COLUMNS = (("series", np.int32), ("time_us", np.int64), ("value", np.float64))


class Spool:
    """Takes rows in any order and gives them back day by day, each day in the order in which it came."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._waiting: dict[int, list[Rows]] = {}
        self._rows = 0
        self._on_disk: set[int] = set()

    def add(self, rows: Rows) -> None:
        for day, part in _by_day(rows):
            self._waiting.setdefault(day, []).append(part)
        self._rows += len(rows)
        if self._rows >= ROWS_IN_MEMORY:
            for day, parts in self._waiting.items():
                self._on_disk.add(day)
                with self._file(day).open("ab") as file:
                    _put(file, Rows.joined(parts))
            self._waiting, self._rows = {}, 0

    def days(self) -> Iterator[tuple[int, Rows]]:
        """Start of each day (µs) with its rows, oldest first."""
        for day in sorted(self._on_disk | self._waiting.keys()):
            parts = list(self._written(day)) if day in self._on_disk else []
            yield day * DAY_US, Rows.joined(parts + self._waiting.get(day, []))

    def _written(self, day: int) -> Iterator[Rows]:
        with self._file(day).open("rb") as file:
            while len(count := np.fromfile(file, np.int64, 1)):
                columns: list[Any] = [np.fromfile(file, kind, int(count[0])) for _, kind in _COLUMNS]
                yield Rows(*columns)

    def _file(self, day: int) -> Path:
        return self._folder / f"{day}.rows"


def _by_day(rows: Rows) -> Iterator[tuple[int, Rows]]:
    """Days since 1970 with their rows."""
    if not len(rows):
        return
    day = rows.time_us // DAY_US
    low = int(day.min())
    if low == int(day.max()):
        yield low, rows
        return
    since = (day - low).astype(np.uint16)  # files hold the years 2000 to 2099
    order = np.argsort(since, kind="stable")
    ends = np.cumsum(np.bincount(since))
    for begin, end in zip([0, *ends[:-1].tolist()], ends.tolist(), strict=True):
        if end > begin:
            yield low + int(since[order[begin]]), rows.take(order[begin:end])


def _put(file: BinaryIO, rows: Rows) -> None:
    np.array([len(rows)], np.int64).tofile(file)
    for name, kind in _COLUMNS:
        np.ascontiguousarray(getattr(rows, name), kind).tofile(file)
