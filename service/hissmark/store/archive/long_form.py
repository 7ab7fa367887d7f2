"""Samples in long form as Arrow arrays, straight from the files where a day is complete there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from hissmark.store.archive import sample_files
from hissmark.store.archive.catalogue import SealedFile
from hissmark.store.archive.joined import Joined, Wanted, unreadable
from hissmark.store.archive.sample_files import TIME

Item = TypeVar("Item")
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
        self._sought = sample_files.sought(names)

    def parts(self, from_us: int, to_us: int) -> Iterator[Part]:
        """(times, names, values); each name by time."""
        for files, begin_us, end_us in self._joined.stretches(self._wanted, from_us, to_us):
            if not files:
                yield from self._joined_rows(begin_us, end_us)
            for table, whole in _ahead(self._tables(files, begin_us, end_us)):
                yield from self._of_table(table, None if whole else (begin_us, end_us))

    def _joined_rows(self, from_us: int, to_us: int) -> Iterator[Part]:
        for found in self._joined.columns(self._wanted, from_us, to_us, _PAGE_ROWS):
            yield (
                pa.array(found.time_us, TIME),
                self._named(self._index[found.series_id]),
                pa.array(found.value),
            )

    def _tables(
        self, files: Sequence[SealedFile], from_us: int, to_us: int
    ) -> Iterator[tuple[pa.Table, bool]]:
        """What the files hold, piece by piece, and whether nothing of the file is outside the span."""
        try:
            for file in files:
                whole = from_us <= file.first_us and file.last_us < to_us
                source = self._joined.require_place().open(file.path)
                for table in sample_files.tables(source, self._sought, _COLUMNS):
                    yield table, whole
        except OSError as error:
            raise unreadable(error) from error

    def _of_table(self, table: pa.Table, span: tuple[int, int] | None) -> Iterator[Part]:
        place = np.concatenate([self._placed(part) for part in table.column("name").chunks])
        keep = None if place.min(initial=0) >= 0 else place >= 0
        time = sample_files.in_us(table.column("time"))
        if span is not None:
            time_us = time.to_numpy().view(np.int64)
            inside = (time_us >= span[0]) & (time_us < span[1])
            keep = inside if keep is None else keep & inside
        columns = [_whole(column) for column in (time, table.column("value"))]
        if keep is not None:
            place, mask = place[keep], pa.array(keep)
            columns = [pc.filter(column, mask) for column in columns]
        if len(place):
            yield columns[0], self._named(place), columns[1]

    def _placed(self, names: pa.DictionaryArray) -> npt.NDArray[np.int32]:
        """Places of the names of a row group; they stand in it in order, so that each is one run."""
        lookup = np.array([self._places.get(text, -1) for text in names.dictionary.to_pylist()], np.int32)
        code: npt.NDArray[np.int32] = names.indices.to_numpy()
        if (code[1:] < code[:-1]).any():
            return lookup[code]
        return np.repeat(lookup, np.diff(np.searchsorted(code, np.arange(len(lookup) + 1, dtype=np.int32))))

    def _named(self, place: npt.NDArray[np.int32]) -> pa.DictionaryArray:
        return pa.DictionaryArray.from_arrays(pa.array(place), self._texts)


def _whole(column: pa.ChunkedArray) -> pa.Array:
    """As one array; copied only if it is not."""
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _ahead(items: Iterator[Item]) -> Iterator[Item]:
    """The same; a thread fetches the next one while one is used."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = pool.submit(next, items, None)
            yield item
