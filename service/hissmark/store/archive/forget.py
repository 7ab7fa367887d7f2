"""Deleting what is older than it is wanted, unless it is held; each deletion goes on record first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import sqlalchemy as sa

from hissmark.access.audit import AuditEvent, note
from hissmark.store import series as series_table
from hissmark.store.archive import catalogue, holds
from hissmark.store.archive.catalogue import DAY_US, Kind, SealedFile
from hissmark.store.archive.holds import HOUSEKEEPING, Hold
from hissmark.store.archive.place import Place
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.retention import Spared, delete_samples_before

_UNIT_US = {Kind.SAMPLES: DAY_US, Kind.MINUTE: DAY_US, Kind.HOUR: 31 * DAY_US}
GOING = -1
"""Generation of a file that is being deleted."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Days that each kind is kept; 0 keeps it for good."""

    samples: int = 0
    minute: int = 0
    hour: int = 0

    def before_us(self, kind: Kind, now_us: int) -> int | None:
        """What is older than this may go; None: nothing."""
        days = {Kind.SAMPLES: self.samples, Kind.MINUTE: self.minute, Kind.HOUR: self.hour}[kind]
        return now_us - days * DAY_US if days else None


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What went: files, and samples that were not in files."""

    files: int
    samples: int


class Forgetting:
    """Deletes from one store.

    Args:
        valves: valve -> names of its series. A hold on a valve that is not in it holds its whole period.
    """

    def __init__(
        self, engine: sa.Engine, place: Place | None, kept: Kept, valves: Mapping[str, frozenset[str]]
    ) -> None:
        self._engine, self._place, self._kept, self._valves = engine, place, kept, valves

    @contextmanager
    def _transaction(self) -> Iterator[sa.Connection]:
        with in_words(place_of(self._engine.url)), self._engine.begin() as connection:
            yield connection

    def forget(self, now_us: int) -> Forgotten:
        """Delete what may go. Cut short, the next run goes on."""
        with self._transaction() as connection:
            held = self._spared(connection)
        files = sum(self._files(kind, now_us, held) for kind in Kind)
        before_us = self._kept.before_us(Kind.SAMPLES, now_us)
        gone = 0 if before_us is None else self._samples(before_us, now_us, held)
        return Forgotten(files, gone)

    def _spared(self, connection: sa.Connection) -> list[Spared]:
        ids = {row.name: row.id for row in series_table.read(connection)}
        return [self._of_hold(hold, ids) for hold in holds.read(connection, active=True)]

    def _of_hold(self, hold: Hold, ids: Mapping[str, int]) -> Spared:
        names = self._valves.get(hold.valve) if hold.valve is not None else None
        held = None if names is None else frozenset(ids[name] for name in names if name in ids)
        return Spared(hold.from_us, hold.to_us, held)

    def _files(self, kind: Kind, now_us: int, held: list[Spared]) -> int:
        before_us = self._kept.before_us(kind, now_us)
        if self._place is None or before_us is None:
            return 0
        unit_us = _UNIT_US[kind]
        with self._transaction() as connection:
            found = catalogue.find(connection, kind, 0, before_us - unit_us + 1) + catalogue.going(
                connection, kind
            )
        may_go = [f for f in found if f.generation == GOING or not any(_covers(s, f, unit_us) for s in held)]
        for file in may_go:
            self._delete(self._place, file, now_us)
        return len(may_go)

    def _delete(self, place: Place, file: SealedFile, now_us: int) -> None:
        """Off the record for readers, with a line in the audit journal; then the file; then all trace."""
        if file.generation != GOING:
            with self._transaction() as connection:
                catalogue.put(connection, [replace(file, generation=GOING)])
                told = f"{file.path}: {file.rows} rows, older than {self._days(file.kind)} days"
                note(connection, now_us, HOUSEKEEPING, AuditEvent.DELETED, told)
        place.delete(file.path)
        with self._transaction() as connection:
            catalogue.remove(connection, file)

    def _days(self, kind: Kind) -> int:
        return {Kind.SAMPLES: self._kept.samples, Kind.MINUTE: self._kept.minute, Kind.HOUR: self._kept.hour}[
            kind
        ]

    def _samples(self, before_us: int, now_us: int, held: list[Spared]) -> int:
        """Whole days only, as files go: late samples of a day that is kept are still to be sealed."""
        day_us = catalogue.day_of(before_us)
        gone = delete_samples_before(self._engine, day_us, spared=held)
        if gone:
            with self._transaction() as connection:
                told = f"{gone} samples that were not on file, older than {self._kept.samples} days"
                note(connection, now_us, HOUSEKEEPING, AuditEvent.DELETED, told)
        return gone


def _covers(spared: Spared, file: SealedFile, unit_us: int) -> bool:
    """Whether a file holds anything that is held; then it stays as a whole."""
    overlaps = spared.from_us < file.start_us + unit_us and spared.to_us > file.start_us
    return overlaps and (spared.ids is None or not spared.ids.isdisjoint(file.series))
