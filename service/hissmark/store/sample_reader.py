"""Questions about samples and their sums, wherever they are: database, archive or both."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import sqlalchemy as sa

from hissmark.decode.columns import Batch
from hissmark.store import series as series_table
from hissmark.store.archive import catalogue
from hissmark.store.archive.catalogue import Kind
from hissmark.store.archive.joined import Joined, Wanted
from hissmark.store.archive.long_form import LongForm
from hissmark.store.archive.place import Place
from hissmark.store.archive.rollup import PLAIN_MEAN, Rollup
from hissmark.store.archive.rollup_read import RollupReader
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.records import Extent, SeriesRow
from hissmark.store.schema import samples

PAGE_ROWS = 50_000
"""Samples read at once; bounds memory (about 10 MB) and how long a read transaction lasts."""

_FIRST_US, _LAST_US = 0, sys.maxsize


class SampleReader:
    """Reads samples. `Reader` adds what was concluded from them; all that is said there holds here."""

    def __init__(self, engine: sa.Engine, archive: Place | None = None) -> None:
        """`archive`: where sealed samples are; without it a store that has sealed any is refused."""
        self.engine = engine
        self._place = place_of(engine.url)
        self._joined = Joined(self._page, archive)
        self._rollups = RollupReader(self._page, self._joined)

    @contextmanager
    def _page(self) -> Iterator[sa.Connection]:
        with in_words(self._place), self.engine.begin() as connection:
            yield connection

    def close(self) -> None:
        """Close the connections."""
        self.engine.dispose()

    def series(self) -> list[SeriesRow]:
        """Every name that samples are stored under."""
        with self._page() as connection:
            return series_table.read(connection)

    def raw(
        self, names: Sequence[str], from_us: int, to_us: int, *, page_rows: int = PAGE_ROWS
    ) -> Iterator[Batch]:
        """Stored samples with from_us <= time < to_us, by time, page by page.

        `Batch.series` indexes `names`; a name that was never stored yields nothing.
        """
        index, wanted = self._wanted(names)
        if wanted.ids:
            for found in self._joined.columns(wanted, from_us, to_us, page_rows):
                yield Batch(index[found.series_id], found.time_us, found.value, found.flags)

    def samples_after(
        self, names: Sequence[str], from_us: int, *, page_rows: int = PAGE_ROWS
    ) -> Iterator[Batch]:
        """Stored samples of `names` at or after `from_us`, by time, for the engine's recovery.

        Flags come along: the caller leaves out levels with `NOT_JUDGED`.
        """
        return self.raw(names, from_us, _LAST_US, page_rows=page_rows)

    def long_form(
        self, names: Sequence[str], from_us: int, to_us: int
    ) -> Iterator[tuple[pa.Array, pa.DictionaryArray, pa.Array]]:
        """(times, names, values) of samples with from_us <= time < to_us, as Arrow arrays; each name by time.

        Quicker than `raw`: what is on file passes through as it stands there, channel by channel.
        """
        index, wanted = self._wanted(names)
        if wanted.ids:
            yield from LongForm(self._joined, names, index, wanted).parts(from_us, to_us)

    def rollups(self, names: Sequence[str], kind: Kind, from_us: int, to_us: int) -> Iterator[Rollup]:
        """Minutes or hours with from_us <= start < to_us, part by part, each by name, then time.

        `Rollup.series_id` indexes `names`.
        """
        index, wanted = self._wanted(names)
        levels = frozenset(row.id for row in self.series() if row.kind != PLAIN_MEAN)
        if wanted.ids:
            extent = self.extent(kind)
            to_us = min(to_us, extent.last_us + 1) if extent else from_us
            for found in self._rollups.rollups(wanted, levels, kind, from_us, to_us):
                yield replace(found, series_id=index[found.series_id])

    def _wanted(self, names: Sequence[str]) -> tuple[npt.NDArray[np.int32], Wanted]:
        """Series id -> index into `names`, int32[highest id + 1], -1 for others; and the ids by name."""
        position = {name: i for i, name in enumerate(names)}
        known = {row.name: row.id for row in self.series() if row.name in position}
        index = np.full(max(known.values(), default=0) + 1, -1, np.int32)
        for name, number in known.items():
            index[number] = position[name]
        return index, Wanted(known)

    def sample_extent(self) -> Extent | None:
        """Time of the first and last sample; None while there is none. Quick."""
        return self.extent(Kind.SAMPLES)

    def extent(self, kind: Kind) -> Extent | None:
        """The same of sums by minute or hour, too, which are kept longer than the samples."""
        with self._page() as connection:
            first, last = connection.execute(
                sa.select(
                    sa.select(sa.func.min(samples.c.time_us)).scalar_subquery(),
                    sa.select(sa.func.max(samples.c.time_us)).scalar_subquery(),
                )
            ).one()
            sealed = [catalogue.sealed_extent(connection, each) for each in {kind, Kind.SAMPLES}]
        found = [each for each in [*sealed, (first, last)] if each is not None and each[0] is not None]
        if not found:
            return None
        return Extent(min(first for first, _ in found), max(last for _, last in found))

    def sample_count(self) -> int:
        """How many samples are stored. Reads everything: seconds for a hundred million rows."""
        _, wanted = self._wanted([row.name for row in self.series()])
        return sum(len(page) for page in self._joined.columns(wanted, _FIRST_US, _LAST_US, PAGE_ROWS))
