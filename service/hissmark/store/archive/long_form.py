"""Samples in long form as Arrow arrays, straight from the files where a day is complete there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from hissmark.store.archive import sample_files
from hissmark.store.archive.catalogue import SealedFile
from hissmark.store.archive.joined import Joined, Wanted, unreadable
from hissmark.store.archive.sample_files import TIME

Part: TypeAlias = "tuple[pa.Array, pa.DictionaryArray, pa.Array]"
_PAGE_ROWS = 100_000
_COLUMNS = ["time", "name", "value"]


class LongForm:
    """Reads `names`; `index` gives the place of each series id among them."""

    def __init__(
        self, joined: Joined, names: Sequence[str], index: npt.NDArray[np.int32], wanted: Wanted
    ) -> None:
        self._joined, self._index, self._wanted = joined, index, wanted
        self._texts = pa.array(names, pa.string())
        self._places = {name: i for i, name in enumerate(names)}

    def parts(self, from_us: int, to_us: int) -> Iterator[Part]:
        """(times, names, values); each name by time."""
        for files, begin_us, end_us in self._joined.stretches(self._wanted, from_us, to_us):
            if not files:
                yield from self._joined_rows(begin_us, end_us)
            for file in files:
                yield from self._of_file(file, begin_us, end_us)

    def _joined_rows(self, from_us: int, to_us: int) -> Iterator[Part]:
        for found in self._joined.columns(self._wanted, from_us, to_us, _PAGE_ROWS):
            yield (
                pa.array(found.time_us, TIME),
                self._named(self._index[found.series_id]),
                pa.array(found.value),
            )

    def _of_file(self, file: SealedFile, from_us: int, to_us: int) -> Iterator[Part]:
        whole = from_us <= file.first_us and file.last_us < to_us
        try:
            for table in sample_files.tables(
                self._joined.require_place().open(file.path), self._places, _COLUMNS
            ):
                yield from self._of_table(table, None if whole else (from_us, to_us))
        except OSError as error:
            raise unreadable(error) from error

    def _of_table(self, table: pa.Table, span: tuple[int, int] | None) -> Iterator[Part]:
        names = table.column("name").combine_chunks()
        lookup = np.array([self._places.get(text, -1) for text in names.dictionary.to_pylist()], np.int32)
        place = lookup[names.indices.to_numpy()]
        keep = np.ones(len(place), bool) if (lookup >= 0).all() else place >= 0
        if span is not None:
            time_us = table.column("time").to_numpy().view(np.int64)
            keep &= (time_us >= span[0]) & (time_us < span[1])
        columns = [table.column(name).combine_chunks() for name in ("time", "value")]
        if not keep.all():
            place, mask = place[keep], pa.array(keep)
            columns = [pc.filter(column, mask) for column in columns]
        if len(place):
            yield columns[0], self._named(place), columns[1]

    def _named(self, place: npt.NDArray[np.int32]) -> pa.DictionaryArray:
        return pa.DictionaryArray.from_arrays(pa.array(place), self._texts)
