"""Rollups of any stretch of time: from files where a day is sealed and complete, else from the samples
themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import sqlalchemy as sa

from hissmark.store.archive import catalogue, rollup_files, sample_files
from hissmark.store.archive.catalogue import DAY_US, Kind, SealedFile
from hissmark.store.archive.joined import Joined, Page, Wanted, has_rows
from hissmark.store.archive.rollup import HOUR_US, MINUTE_US, Rollup, joined, rolled_up
from hissmark.store.rows import Columns
from hissmark.store.schema import samples

PERIODS = {Kind.MINUTE: MINUTE_US, Kind.HOUR: HOUR_US}
_PAGE_ROWS = 100_000
_SLICE_US = 6 * HOUR_US
"""Samples of so long are summed up together; it holds whole hours."""


@dataclass(frozen=True)
class _Stretch:
    """Time that one source tells: files, or (none) the samples."""

    files: list[SealedFile]
    from_us: int
    to_us: int


class RollupReader:
    """Reads rollups of one store."""

    def __init__(self, page: Page, samples_of: Joined) -> None:
        self._page, self._samples = page, samples_of

    def rollups(
        self, wanted: Wanted, levels: frozenset[int], kind: Kind, from_us: int, to_us: int
    ) -> Iterator[Rollup]:
        """Periods with from_us <= start < to_us, stretch by stretch; each by series id, then time.

        Every period is whole: samples before `from_us` or after `to_us` count where theirs begins inside.
        """
        period_us = PERIODS[kind]
        from_us = -(-from_us // period_us) * period_us
        while from_us < to_us:
            stretch = self._stretch(wanted, kind, from_us, to_us)
            found = (
                self._of_files(stretch, wanted)
                if stretch.files
                else self._summed(stretch, wanted, levels, kind)
            )
            yield from (part for part in found if len(part))
            from_us = stretch.to_us

    def _stretch(self, wanted: Wanted, kind: Kind, from_us: int, to_us: int) -> _Stretch:
        """The stretch that begins at a moment. A day with rows in the database is summed up from samples."""
        ids = set(wanted.ids.values())
        with self._page() as connection:
            begin_us = _file_start(kind, from_us)
            files = catalogue.find(connection, kind, begin_us, begin_us + 1, ids)
            if not files:
                return _Stretch(
                    [], from_us, min(to_us, _next_start(connection, wanted, kind, from_us, to_us))
                )
            until_us = min(to_us, _file_end(kind, from_us))
            row_us = has_rows(connection, wanted, from_us, until_us)
            if row_us is None:
                return _Stretch(files, from_us, until_us)
            day_us = catalogue.day_of(row_us)
            if day_us > from_us:
                return _Stretch(files, from_us, day_us)
            return _Stretch([], from_us, min(until_us, day_us + DAY_US))

    def _of_files(self, stretch: _Stretch, wanted: Wanted) -> Iterator[Rollup]:
        place = self._samples.require_place()
        parts = [
            rollup_files.read(place.open(f.path), wanted.ids, stretch.from_us, stretch.to_us)
            for f in stretch.files
        ]
        found = joined(parts)
        yield found.take(np.lexsort((found.start_us, found.series_id)))

    def _summed(
        self, stretch: _Stretch, wanted: Wanted, levels: frozenset[int], kind: Kind
    ) -> Iterator[Rollup]:
        begin_us = stretch.from_us
        while (begin_us := self._next_sample(wanted, begin_us, stretch.to_us)) < stretch.to_us:
            until_us = min(begin_us // _SLICE_US * _SLICE_US + _SLICE_US, _up(stretch.to_us, PERIODS[kind]))
            begin_us = max(stretch.from_us, begin_us // PERIODS[kind] * PERIODS[kind])
            pages: list[Columns] = list(self._samples.columns(wanted, begin_us, until_us, _PAGE_ROWS))
            yield rolled_up(sample_files.joined(pages), PERIODS[kind], levels)
            begin_us = until_us

    def _next_sample(self, wanted: Wanted, from_us: int, to_us: int) -> int:
        """When the next sample may come, so that empty years are not walked through."""
        with self._page() as connection:
            files = catalogue.find(
                connection, Kind.SAMPLES, catalogue.day_of(from_us), to_us, set(wanted.ids.values()), 1
            )
            query = sa.select(sa.func.min(samples.c.time_us)).where(samples.c.time_us >= from_us)
            row_us = connection.scalar(query)
        firsts = [max(from_us, file.start_us) for file in files] + ([row_us] if row_us is not None else [])
        return min(firsts, default=to_us)


def _up(time_us: int, period_us: int) -> int:
    return -(-time_us // period_us) * period_us


def _file_start(kind: Kind, time_us: int) -> int:
    return catalogue.month_of(time_us) if kind is Kind.HOUR else catalogue.day_of(time_us)


def _file_end(kind: Kind, time_us: int) -> int:
    start_us = _file_start(kind, time_us)
    return catalogue.month_of(start_us + 32 * DAY_US) if kind is Kind.HOUR else start_us + DAY_US


def _next_start(connection: sa.Connection, wanted: Wanted, kind: Kind, from_us: int, to_us: int) -> int:
    """Where the next file begins, or the end."""
    found = catalogue.find(connection, kind, from_us, to_us, set(wanted.ids.values()), 1)
    return found[0].start_us if found else to_us
