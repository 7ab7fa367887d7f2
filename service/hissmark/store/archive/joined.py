"""The one read path: what is on file and what the database has, as one stream without gaps or doubles.

Every step looks at the record of files and at the rows of the database in *one* transaction. A sample is
deleted from the database only after the file that holds it is on record, so in any such look it is in one of
them or in both; in both, the file's counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

import numpy as np
import sqlalchemy as sa

from hissmark.store.archive import catalogue, portions, sample_files
from hissmark.store.archive.catalogue import DAY_US, Kind, SealedFile
from hissmark.store.archive.place import Place
from hissmark.store.errors import StoreError
from hissmark.store.rows import Columns
from hissmark.store.schema import samples

ROWS_A_STEP = 2_000_000
"""About as many rows of files are in memory at once."""
_MOST_FILES = 500
_FEW_IDS = 100
_READERS = 2
_TRIES = 3

Page = Callable[[], AbstractContextManager[sa.Connection]]


@dataclass(frozen=True)
class Wanted:
    """Which series: name -> id."""

    ids: dict[str, int]

    @property
    def few(self) -> list[int] | None:
        """The ids if a condition can name them all."""
        return sorted(self.ids.values()) if len(self.ids) <= _FEW_IDS else None


@dataclass(frozen=True)
class _Step:
    """What one transaction saw: files and rows of [from, until) behind `after`, up to `upto` if not all."""

    files: list[SealedFile]
    rows: list[Any]
    until_us: int
    upto: tuple[int, int] | None


class Joined:
    """Reads samples of one store. `page` opens a transaction of its own."""

    def __init__(self, page: Page, place: Place | None) -> None:
        self._page, self._place = page, place

    def columns(self, wanted: Wanted, from_us: int, to_us: int, page_rows: int) -> Iterator[Columns]:
        """Samples with from_us <= time < to_us by (time, series id), at most `page_rows` at once."""
        after = (from_us, -1)
        while after[0] < to_us:
            step, held = self._looked(wanted, after, to_us, page_rows)
            found = _merged(held, _of_rows(step.rows), wanted, after, step.upto)
            for begin in range(0, len(found), page_rows):
                yield found.take(slice(begin, begin + page_rows))
            after = step.upto or (step.until_us, -1)

    def _looked(
        self, wanted: Wanted, after: tuple[int, int], to_us: int, page_rows: int
    ) -> tuple[_Step, list[Columns]]:
        """A step and what its files hold. A file that went meanwhile is looked for anew."""
        for last in range(_TRIES):
            step = self._step(wanted, after, to_us, page_rows)
            until_us = step.upto[0] + 1 if step.upto else step.until_us
            try:
                return step, self._read(step.files, wanted, after[0], until_us)
            except OSError as error:
                if last == _TRIES - 1:
                    raise unreadable(error) from error
        raise AssertionError("unreachable")

    def _step(self, wanted: Wanted, after: tuple[int, int], to_us: int, page_rows: int) -> _Step:
        with self._page() as connection:
            files, until_us = self._files(connection, wanted, after[0], to_us)
            rows = portions.page(connection, after, until_us, wanted.few, page_rows)
        upto = (rows[-1][0], rows[-1][1]) if len(rows) == page_rows else None
        return _Step(files, rows, until_us, upto)

    def _files(
        self, connection: sa.Connection, wanted: Wanted, from_us: int, to_us: int
    ) -> tuple[list[SealedFile], int]:
        """Files to read together, and up to where they and the database tell everything."""
        ids = wanted.ids.values()
        day_us = catalogue.day_of(max(from_us, 0))
        found = catalogue.find(connection, Kind.SAMPLES, day_us, to_us, set(ids), _MOST_FILES)
        if not found:
            return [], to_us
        self.require_place()
        if len(found) == _MOST_FILES:
            to_us = min(to_us, max(found[-1].start_us, day_us + DAY_US))
            found = [f for f in found if f.start_us < to_us]
        if found[0].start_us > from_us:
            return [], min(to_us, found[0].start_us)
        return _within_memory(found, set(ids), from_us, to_us)

    def require_place(self) -> Place:
        """The archive; StoreError if the site has none any more though samples are in it."""
        if self._place is None:
            raise StoreError(
                "Older samples are in the archive, but [store] archive of site.toml is empty. "
                "Name the archive again."
            )
        return self._place

    def _read(self, files: list[SealedFile], wanted: Wanted, from_us: int, to_us: int) -> list[Columns]:
        if not files:
            return []
        place = self.require_place()

        def one(file: SealedFile) -> Columns:
            # by time at once: a day is sorted in the processor's cache, and days follow upon each other
            return sample_files.read(place.open(file.path), wanted.ids, from_us, to_us).by_key()

        if len(files) == 1:
            return [one(files[0])]
        with ThreadPoolExecutor(_READERS) as pool:
            return list(pool.map(one, files))

    def stretches(
        self, wanted: Wanted, from_us: int, to_us: int
    ) -> Iterator[tuple[list[SealedFile], int, int]]:
        """The time cut where the source changes: (files, from, to).

        With files, these alone hold everything wanted of the stretch, which is a whole day or the wanted
        part of it; without, `columns` has to join.
        """
        while from_us < to_us:
            with self._page() as connection:
                day_us = catalogue.day_of(max(from_us, 0))
                ids = set(wanted.ids.values())
                files = catalogue.find(connection, Kind.SAMPLES, day_us, day_us + 1, ids)
                if not files:
                    following = catalogue.find(connection, Kind.SAMPLES, day_us + 1, to_us, ids, 1)
                    until_us = following[0].start_us if following else to_us
                else:
                    until_us = min(day_us + DAY_US, to_us)
                    if has_rows(connection, wanted, from_us, until_us) is not None:
                        files = []
            if files:
                self.require_place()
            yield files, from_us, until_us
            from_us = until_us


def _within_memory(
    found: list[SealedFile], ids: set[int], from_us: int, to_us: int
) -> tuple[list[SealedFile], int]:
    """The first days of `found` that fit, or a part of the first day if that alone does not."""
    taken: list[SealedFile] = []
    rows = 0.0
    for file in found:
        share = file.rows * len(ids & file.series) / max(1, len(file.series))
        if taken and file.start_us > taken[0].start_us and rows + share > ROWS_A_STEP:
            until_us = min(to_us, file.start_us)
            return [f for f in taken if f.start_us < until_us], until_us
        taken.append(file)
        rows += share
    if rows > ROWS_A_STEP and taken[-1].start_us == taken[0].start_us:
        width_us = max(1, int(DAY_US * ROWS_A_STEP / rows))
        return taken, min(to_us, from_us + width_us, taken[0].start_us + DAY_US)
    return taken, to_us


def has_rows(connection: sa.Connection, wanted: Wanted, from_us: int, to_us: int) -> int | None:
    """Time of the first row that the database has of the wanted series; None without any."""
    c = samples.c
    query = sa.select(c.time_us).where(c.time_us >= from_us, c.time_us < to_us).order_by(c.time_us).limit(1)
    if wanted.few is not None:
        query = query.where(c.series_id.in_(wanted.few))
    return connection.scalar(query)


def _merged(
    held: list[Columns], rows: Columns, wanted: Wanted, after: tuple[int, int], upto: tuple[int, int] | None
) -> Columns:
    """Files and rows together in key order, (after, upto] only; of the same key the file's."""
    if wanted.few is None and len(rows):
        rows = rows.take(np.isin(rows.series_id, list(wanted.ids.values())))
    if not held:
        return rows
    both = sample_files.joined([*held, rows])
    inside = (both.time_us > after[0]) | ((both.time_us == after[0]) & (both.series_id > after[1]))
    if upto is not None:
        inside &= (both.time_us < upto[0]) | ((both.time_us == upto[0]) & (both.series_id <= upto[1]))
    if not inside.all():
        both = both.take(inside)
    return both.by_key()


def _of_rows(rows: list[Any]) -> Columns:
    if not rows:
        return sample_files.joined([])
    times, ids, values, flags = zip(*rows, strict=True)
    return Columns(
        np.array(times, np.int64),
        np.array(ids, np.int32),
        np.array(values, np.float64),
        np.array(flags, np.uint8),
    )


def unreadable(error: OSError) -> StoreError:
    return StoreError(
        f"A file of the archive cannot be read: {error}. Restore it from a backup; the rest is not affected."
    )
