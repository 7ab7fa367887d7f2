"""`hissmark import`: files into the store, old days straight into the archive, recent ones into the
database.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from hissmark.engine.layout import PROCESS, Layout
from hissmark.imports.reading import chunks, row_count
from hissmark.imports.spool import Spool
from hissmark.imports.units import Calibration, Unit
from hissmark.replay.convert import MAX_TIME_US, MIN_TIME_US, Converter
from hissmark.replay.rows import ReplayError, Rows, Tally
from hissmark.store import series as series_table
from hissmark.store.append import append
from hissmark.store.archive.catalogue import DAY_US, day_of
from hissmark.store.archive.exclusive import alone
from hissmark.store.archive.filing import groups_of
from hissmark.store.archive.place import Place
from hissmark.store.archive.seal import Sealer
from hissmark.store.backfill import Mark, mark
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.rows import Columns

Progress = Callable[[str, int, int | None], None]
READING, FILING = "reading", "filing"
CAUSE = "import"


@dataclass(frozen=True, slots=True)
class Target:
    """Where samples go. `recent_days` stay in the database; without `archive` all do."""

    store: sa.Engine
    archive: Place | None
    layout: Layout
    kinds: dict[str, str]
    recent_days: int
    feed: bool
    marks_for: Callable[[Layout, np.ndarray, np.ndarray, str], list[Mark]]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of the files is wanted, and what their levels are given in."""

    from_us: int = MIN_TIME_US
    to_us: int = MAX_TIME_US
    calibration: Calibration = field(default_factory=Calibration)


@dataclass
class Imported:
    """What came of it: rows read and left out, samples that were not on record before, and the groups
    concerned.
    """

    tally: Tally
    new: int = 0
    unusable: int = 0
    first_us: int | None = None
    last_us: int | None = None
    from_us: dict[str, int] = field(default_factory=dict)

    def cover(self, time_us: np.ndarray) -> None:
        low, high = int(time_us.min()), int(time_us.max())
        self.first_us = low if self.first_us is None else min(low, self.first_us)
        self.last_us = high if self.last_us is None else max(high, self.last_us)

    def concern(self, marks: Sequence[Mark]) -> None:
        for each in marks:
            self.from_us[each.group] = min(each.from_us, self.from_us.get(each.group, each.from_us))


class Import:
    """Files into one store. The same files again change nothing; cut short, run it again."""

    def __init__(self, target: Target, now_us: int, progress: Progress) -> None:
        self._target, self._now_us, self._progress = target, now_us, progress

    def run(self, paths: Sequence[Path], wanted: Wanted, *, dry: bool = False) -> Imported:
        """Read everything first, then store it day by day. Raises ReplayError if a file cannot be used."""
        done = Imported(Tally())
        with tempfile.TemporaryDirectory(prefix="hissmark-import-") as folder:
            spool = Spool(Path(folder))
            self._read(paths, wanted, done, spool)
            if dry:
                for _, rows in spool.days():
                    done.concern(self._marks(rows.series, rows.time_us))
            else:
                self._store(spool, done)
        return done

    def _read(self, paths: Sequence[Path], wanted: Wanted, done: Imported, spool: Spool) -> None:
        if wanted.from_us >= wanted.to_us:
            raise ReplayError("there is nothing to import: --from is not before --to.")
        layout = self._target.layout
        converter = Converter(layout.series_index(), wanted.from_us, wanted.to_us)
        levels = np.zeros(len(layout.names), bool)
        levels[layout.input_series[layout.input_role != PROCESS]] = True
        counts = [row_count(path) for path in paths]
        total = None if None in counts else sum(count or 0 for count in counts)
        for path in paths:
            for chunk in chunks(path, done.tally):
                rows = self._calibrated(
                    converter.counted(chunk, done.tally), levels, wanted.calibration, done
                )
                if len(rows):
                    done.cover(rows.time_us)
                    spool.add(rows)
                self._progress(READING, done.tally.rows, total)

    def _calibrated(self, rows: Rows, levels: np.ndarray, calibration: Calibration, done: Imported) -> Rows:
        """Levels in dB. What is no level then is left out."""
        if calibration.unit is Unit.DECIBEL:
            return rows
        is_level = levels[rows.series]
        value = np.where(is_level, calibration.levels(rows.value), rows.value)
        good = np.isfinite(value)
        done.unusable += int((~good).sum())
        return Rows(rows.series, rows.time_us, value).take(good)

    def _store(self, spool: Spool, done: Imported) -> None:
        target = self._target
        with in_words(place_of(target.store.url)), target.store.begin() as connection:
            ids = series_table.register(connection, target.layout.names, target.kinds, self._now_us)
        stored = 0
        for day_us, rows in spool.days():
            columns = Columns(rows.time_us, ids[rows.series], rows.value, np.zeros(len(rows), np.uint8))
            done.new += self._day(day_us, columns, rows, done)
            stored += len(rows)
            self._progress(FILING, stored, done.tally.good)

    def _day(self, day_us: int, columns: Columns, rows: Rows, done: Imported) -> int:
        """Store a day; what is new is marked in the same transaction, or before it can be seen."""
        target = self._target
        marks = self._marks(rows.series, rows.time_us)
        old = day_us + DAY_US <= day_of(self._now_us - target.recent_days * DAY_US)
        if target.archive is not None and old:
            return self._file(target.archive, day_us, columns, marks, done)
        new = append(target.store, columns, marks, self._now_us, feed=target.feed)
        if new:
            done.concern(marks)
        return new

    def _file(self, archive: Place, day_us: int, columns: Columns, marks: list[Mark], done: Imported) -> int:
        target = self._target

        def noted() -> None:
            with in_words(place_of(target.store.url)), target.store.begin() as connection:
                mark(connection, marks)
            done.concern(marks)

        with alone(target.store):
            sealer = Sealer(target.store, archive, groups_of(target.layout), lambda: self._now_us, rest=0)
            return sealer.add(day_us, columns, noted)

    def _marks(self, series: np.ndarray, time_us: np.ndarray) -> list[Mark]:
        return self._target.marks_for(self._target.layout, series, time_us, CAUSE)
