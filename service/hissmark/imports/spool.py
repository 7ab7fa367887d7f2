"""Rows of files by day, in memory while they fit, else in temporary files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.replay.rows import Rows
from hissmark.store.archive.catalogue import DAY_US

_ROW = np.dtype([("series", "<i4"), ("time_us", "<i8"), ("value", "<f8")])
ROWS_IN_MEMORY = 4_000_000


class Spool:
    """Takes rows in any order and gives them back day by day, each day in the order in which it came."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._waiting: list[Rows] = []
        self._rows = 0
        self._on_disk: set[int] = set()

    def add(self, rows: Rows) -> None:
        self._waiting.append(rows)
        self._rows += len(rows)
        if self._rows >= ROWS_IN_MEMORY:
            for day_us, part in self._by_day():
                self._on_disk.add(day_us)
                with self._file(day_us).open("ab") as file:
                    part.tofile(file)
            self._waiting, self._rows = [], 0

    def days(self) -> Iterator[tuple[int, Rows]]:
        """Each day with its rows, oldest first."""
        in_memory = dict(self._by_day())
        for day_us in sorted(self._on_disk | in_memory.keys()):
            parts = [np.fromfile(self._file(day_us), _ROW)] if day_us in self._on_disk else []
            parts += [in_memory[day_us]] if day_us in in_memory else []
            whole = np.concatenate(parts)
            yield day_us, Rows(whole["series"].copy(), whole["time_us"].copy(), whole["value"].copy())

    def _by_day(self) -> list[tuple[int, npt.NDArray[Any]]]:
        rows = Rows.joined(self._waiting)
        day = rows.time_us // DAY_US
        order = np.argsort(day, kind="stable")
        records = np.empty(len(rows), _ROW)
        for name in ("series", "time_us", "value"):
            records[name] = getattr(rows, name)
        records, day = records[order], day[order]
        starts = np.flatnonzero(np.diff(day, prepend=day[:1] - 1)) if len(day) else np.empty(0, np.intp)
        ends = np.append(starts[1:], len(day))
        pairs = zip(starts.tolist(), ends.tolist(), strict=True) if len(day) else ()
        return [(int(day[a]) * DAY_US, records[a:b]) for a, b in pairs]

    def _file(self, day_us: int) -> Path:
        return self._folder / f"{day_us}.rows"
