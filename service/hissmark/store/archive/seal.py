"""Sealing: a day's samples go from the database into files, and nothing is lost or doubled at any moment.

The order is what keeps it so: write a draft, make it durable, put it in its place, put it on record, and
only then delete from the database what the file holds. A file is written over only by one that holds the
same and more. Whoever reads takes what is on file and, beside it, what the database has and the file has
not. So wherever this is cut short, the next run takes up the day again and comes to the same end; samples
that came late are merged the same way.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from hissmark.store import partitions
from hissmark.store import series as series_table
from hissmark.store.archive import catalogue, fineness, portions, rollup_files, sample_files
from hissmark.store.archive.catalogue import DAY_US, Kind, SealedFile
from hissmark.store.archive.dealing import Dealt
from hissmark.store.archive.place import Place, digest
from hissmark.store.archive.rollup import HOUR_US, MINUTE_US, PLAIN_MEAN, Rollup, joined, rolled_up
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.records import SeriesRow
from hissmark.store.rows import Columns
from hissmark.store.schema import samples

NO_GROUP = "no group"
"""Where series are filed that no group of the register uses any more."""
REST = 12.0
"""Times the work of a portion that is rested after it, so that intake has the machine to itself."""
GROUPS_AT_ONCE = 4
"""Groups of an import that are filed side by side: most of the time is spent waiting for the disk."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """What sealing a day did: samples on file that were not, and rows that left the database."""

    day_us: int
    new: int
    rows: int


class Sealer:
    """Seals days of one store. One at a time; intake goes on beside it.

    Args:
        groups: name -> group under which it is filed when its day is sealed first.
        rest: see `REST`. step: called between any two steps with their name (tests stop it there).
    """

    def __init__(
        self,
        engine: sa.Engine,
        place: Place,
        groups: Mapping[str, str],
        now_us: Callable[[], int],
        *,
        rest: float = REST,
        step: Callable[[str], None] = lambda name: None,
    ) -> None:
        self._engine, self._place, self._groups, self._now_us = engine, place, groups, now_us
        self._rest, self._step = rest, step
        self._series: dict[int, SeriesRow] = {}
        self._fine = False
        """A file with finer times than milliseconds was written."""

    @contextmanager
    def _transaction(self) -> Iterator[sa.Connection]:
        with in_words(place_of(self._engine.url)), self._engine.begin() as connection:
            yield connection

    def seal_before(self, before_us: int, *, not_before_us: int = 0) -> list[Sealed]:
        """Seal every whole day before a moment that the database has samples of, oldest first."""
        done: list[Sealed] = []
        from_us: int | None = not_before_us
        while (day_us := self._next_day(from_us)) is not None and day_us + DAY_US <= before_us:
            done.append(self.seal_day(day_us))
            from_us = day_us + DAY_US
        return done

    def _next_day(self, from_us: int | None) -> int | None:
        with self._transaction() as connection:
            query = sa.select(sa.func.min(samples.c.time_us)).where(samples.c.time_us >= from_us)
            first = connection.scalar(query)
        return None if first is None else catalogue.day_of(first)

    def seal_day(self, day_us: int) -> Sealed:
        """Seal one UTC day; nothing to do is no error."""
        with self._transaction() as connection:
            on_record = catalogue.find(connection, Kind.SAMPLES, day_us, day_us + 1, planned=True)
            self._series = {row.id: row for row in series_table.read(connection)}
        with tempfile.TemporaryDirectory(prefix="hissmark-seal-") as folder:
            dealt = Dealt(Path(folder))
            home = {i: file.group for file in on_record for i in file.series}
            pages = portions.read(self._engine, day_us, day_us + DAY_US, self._paused)
            dealt.deal(pages, lambda i: home.get(i) or self._group_of(i))
            self._step("collected")
            planned = self._planned(day_us, dealt.series, on_record)
            new = sum(self._seal_group(file, dealt.of_group(file.group)) for file in planned)
            self._keep_readable()
            self._let_go(day_us, dealt)
        return Sealed(day_us, new, dealt.rows)

    def _let_go(self, day_us: int, dealt: Dealt) -> None:
        """Out of the database: the day as a whole where it has a part of its own that holds no more than what
        was filed, else row by row.
        """
        if partitions.drop_day(self._engine, day_us, dealt.rows):
            self._step("dropped the day")
            return
        for keys in dealt.keys(portions.ROWS):
            began_s = time.perf_counter()
            portions.delete(self._engine, keys)
            self._step("deleted a portion")
            self._paused(time.perf_counter() - began_s)

    def add(self, day_us: int, columns: Columns, noted: Callable[[], None]) -> int:
        """File samples of one day (any order, doubles allowed); returns how many were new.

        `noted` is called once before any of them can be seen, if any is new. What the database has of the
        day is filed first: of two values of the same key the first to arrive stays.
        """
        self.seal_day(day_us)
        with self._transaction() as connection:
            on_record = catalogue.find(connection, Kind.SAMPLES, day_us, day_us + 1, planned=True)
            self._series = {row.id: row for row in series_table.read(connection)}
        home = {i: file.group for file in on_record for i in file.series}
        groups = {i: home.get(i) or self._group_of(i) for i in np.unique(columns.series_id).tolist()}
        series: dict[str, set[int]] = {}
        for i, group in groups.items():
            series.setdefault(group, set()).add(i)
        parts = dict(_dealt(columns, groups))
        planned, before = self._planned(day_us, series, on_record), _Once(noted)
        with ThreadPoolExecutor(GROUPS_AT_ONCE) as pool:
            new = sum(pool.map(lambda file: self._seal_group(file, parts[file.group], before), planned))
        self._keep_readable()
        return new

    def _keep_readable(self) -> None:
        """Whoever reads the folder as one table goes on doing so, see `fineness`."""
        if self._fine:
            fineness.refine_first(self._transaction, self._place, self._now_us())
            self._fine = False

    def _group_of(self, series_id: int) -> str:
        row = self._series.get(series_id)
        return self._groups.get(row.name, NO_GROUP) if row else NO_GROUP

    def _paused(self, worked_s: float) -> None:
        if self._rest:
            time.sleep(min(5.0, self._rest * worked_s))

    def _planned(
        self, day_us: int, series: Mapping[str, set[int]], on_record: list[SealedFile]
    ) -> list[SealedFile]:
        """Put on record first which series goes where: if this is cut short and the register changes before
        the next run, no sample may end up in two files.
        """
        by_group = {file.group: file for file in on_record}
        planned = []
        for group, ids in series.items():
            path = catalogue.path_of(Kind.SAMPLES, day_us, group)
            new = SealedFile(
                Kind.SAMPLES, day_us, group, path, 0, 0, 0, "", 0, 0, frozenset(), self._now_us()
            )
            file = by_group.get(group, new)
            planned.append(replace(file, series=file.series | ids))
        with self._transaction() as connection:
            catalogue.put(connection, planned)
        self._step("planned")
        return planned

    def _seal_group(self, file: SealedFile, fresh: Columns, before: Callable[[], None] = lambda: None) -> int:
        """Bring the files of one group up to what `fresh` adds; returns how many samples were new.

        `before` is called before anything new is published.
        """
        began_s = time.perf_counter()
        known = self._on_file(file.path)
        merged = _merged(known, fresh)
        if len(merged) > len(known):
            before()
        if file.rows != len(merged):
            self._file_away(file.start_us, file.group, merged, file.generation + 1)
        self._paused(time.perf_counter() - began_s)
        return len(merged) - len(known)

    def _on_file(self, path: str) -> Columns:
        """What the file holds; nothing if there is none."""
        try:
            names, found = sample_files.read_all(self._place.open(path))
        except FileNotFoundError:
            return sample_files.joined([])
        ids = {row.name: row.id for row in self._series.values()}
        if unknown := [name for name in names if name not in ids]:  # files of another database
            with self._transaction() as connection:
                series_table.register(connection, unknown, {}, self._now_us())
                self._series = {row.id: row for row in series_table.read(connection)}
            ids = {row.name: row.id for row in self._series.values()}
        table = np.array([ids[name] for name in names] or [0], np.int32)
        return replace(found, series_id=table[found.series_id])

    def _file_away(self, day_us: int, group: str, merged: Columns, generation: int) -> None:
        names = {i: row.name for i, row in self._series.items()}
        levels = {i for i, row in self._series.items() if row.kind != PLAIN_MEAN}
        path = catalogue.path_of(Kind.SAMPLES, day_us, group)
        us = fineness.takes_us(self._transaction, self._place, path)
        self._fine = self._fine or sample_files.is_fine(merged.time_us)
        files = []
        with self._place.draft() as draft:
            sample_files.write(draft, merged, names, fine=us)
            files.append(self._published(draft, Kind.SAMPLES, day_us, group, merged, generation))
        for kind, period_us in ((Kind.MINUTE, MINUTE_US), (Kind.HOUR, HOUR_US)):
            start_us = catalogue.month_of(day_us) if kind is Kind.HOUR else day_us
            summed = rolled_up(merged, period_us, levels)
            if kind is Kind.HOUR:
                summed = self._with_month(start_us, group, day_us, summed)
            with self._place.draft() as draft:
                rollup_files.write(draft, summed, names)
                shown = Columns(summed.start_us, summed.series_id, summed.mean, np.empty(0, np.uint8))
                files.append(self._published(draft, kind, start_us, group, shown, generation))
        with self._transaction() as connection:
            catalogue.put(connection, files)
        self._step("recorded")

    def _with_month(self, month_us: int, group: str, day_us: int, of_day: Rollup) -> Rollup:
        """The month's hours with those of one day replaced."""
        path = catalogue.path_of(Kind.HOUR, month_us, group)
        ids = {row.name: row.id for row in self._series.values()}
        try:
            month = rollup_files.read(self._place.open(path), ids, month_us, month_us + 32 * DAY_US)
        except FileNotFoundError:
            return of_day
        others = (month.start_us < day_us) | (month.start_us >= day_us + DAY_US)
        return joined([month.take(others), of_day])

    def _published(
        self, draft: Path, kind: Kind, start_us: int, group: str, held: Columns, generation: int
    ) -> SealedFile:
        self._step(f"{kind} drafted")
        path = catalogue.path_of(kind, start_us, group)
        size, sha256 = draft.stat().st_size, digest(draft)
        self._place.publish(draft, path)
        self._step(f"{kind} published")
        return SealedFile(
            kind, start_us, group, path, generation, len(held), size, sha256, int(held.time_us.min()),
            int(held.time_us.max()), frozenset(np.unique(held.series_id).tolist()), self._now_us(),
        )  # fmt: skip


class _Once:
    """Does something at the first call, whichever thread makes it; the others wait until it is done."""

    def __init__(self, action: Callable[[], None]) -> None:
        self._action: Callable[[], None] | None = action
        self._lock = threading.Lock()

    def __call__(self) -> None:
        with self._lock:
            if self._action is not None:
                self._action()
                self._action = None


def _dealt(columns: Columns, groups: Mapping[int, str]) -> Iterator[tuple[str, Columns]]:
    """Each group with its samples, in the order in which they came; `groups`: series id -> group."""
    names = {group: i for i, group in enumerate(dict.fromkeys(groups.values()))}
    code = np.zeros(max(groups, default=0) + 1, np.uint16)
    code[list(groups)] = [names[group] for group in groups.values()]
    mine = code[columns.series_id]
    order = np.argsort(mine, kind="stable")
    ends = np.cumsum(np.bincount(mine, minlength=len(names)))
    for group, begin, end in zip(names, [0, *ends[:-1].tolist()], ends.tolist(), strict=True):
        yield group, columns.take(order[begin:end])


def _merged(known: Columns, fresh: Columns) -> Columns:
    """Both together; of the same key what is on file stays."""
    return sample_files.joined([known, fresh]).by_series()
