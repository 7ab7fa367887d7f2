"""A day of samples read from the database, dealt out to one temporary file a group. Memory stays bounded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.store.rows import Columns

ROW = np.dtype([("time_us", "<i8"), ("series_id", "<i4"), ("value", "<f8"), ("flags", "u1")])
KEY = np.dtype([("time_us", "<i8"), ("series_id", "<i4")])
ROWS_IN_MEMORY = 500_000
Rows = npt.NDArray[Any]


class Dealt:
    """Samples by group under `folder`, and their keys in the order of the database."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._keys = folder / "keys"
        self._files: dict[str, Path] = {}
        self.series: dict[str, set[int]] = {}
        """Group -> ids of its series."""
        self.rows = 0

    def deal(self, pages: Iterator[Rows], group_of: Callable[[int], str]) -> None:
        """Take in rows of type `ROW` in key order; `group_of` says where a series belongs."""
        waiting: list[Rows] = []
        for page in pages:
            waiting.append(page)
            if sum(map(len, waiting)) >= ROWS_IN_MEMORY:
                self._put(np.concatenate(waiting), group_of)
                waiting = []
        if waiting:
            self._put(np.concatenate(waiting), group_of)

    def _put(self, rows: Rows, group_of: Callable[[int], str]) -> None:
        self.rows += len(rows)
        keys = np.empty(len(rows), KEY)
        for name in ("time_us", "series_id"):
            keys[name] = rows[name]
        with self._keys.open("ab") as file:
            keys.tofile(file)
        ids, place = np.unique(rows["series_id"], return_inverse=True)
        groups = [group_of(i) for i in ids.tolist()]
        for group in dict.fromkeys(groups):
            chosen = np.array([g == group for g in groups])
            self.series.setdefault(group, set()).update(ids[chosen].tolist())
            mine = chosen[place]
            path = self._files.setdefault(group, self._folder / f"group-{len(self._files)}")
            with path.open("ab") as file:
                rows[mine].tofile(file)

    def of_group(self, group: str) -> Columns:
        """The samples of a group, by time."""
        rows = np.fromfile(self._files[group], ROW)
        return Columns(
            rows["time_us"].copy(), rows["series_id"].copy(), rows["value"].copy(), rows["flags"].copy()
        )

    def keys(self, at_once: int) -> Iterator[Rows]:
        """Every key in order, portion by portion, type `KEY`."""
        if not self.rows:
            return
        with self._keys.open("rb") as file:
            while len(portion := np.fromfile(file, KEY, at_once)):
                yield portion
