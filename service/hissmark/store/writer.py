"""The one writer: everything a batch brings goes into the store in one transaction, or nothing does.

    with writer.transaction() as tx:
        tx.samples(batch)
        tx.journal(entries)
        tx.engine_state(payload)
    receiver.ack(messages)

If that raises a `StoreError` whose `retry` is true, run the whole block again: nothing is stored twice.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch, Reject, UnknownName
from hissmark.engine.change import Change
from hissmark.store import (
    actions,
    arrivals,
    backfill,
    changes,
    history,
    journal,
    judged,
    registers,
    rows,
    turned_away,
)
from hissmark.store import series as series_table
from hissmark.store.blocks import Block
from hissmark.store.errors import in_words
from hissmark.store.lock import WriterLock
from hissmark.store.open import enlarge_cache, place_of
from hissmark.store.records import (
    ActionRow,
    ChangeRow,
    JournalRow,
    Limits,
    Reading,
    StoredBlock,
    VerdictChange,
)


def wall_clock_us() -> int:
    """Now, microseconds since 1970 UTC."""
    return time.time_ns() // 1000


class Writer:
    """Owns the store's write side; one thread uses it. A second writer on the same shard is refused.

    Args:
        engine: from `open_store`.
        names: known series names; `Batch.series` indexes them (`Layout.names`).
        kinds: what a name is (`level`, `process`, ...), kept for readers; names not in it stay without.
        limits: rows kept in the bounded tables.
        now_us: the service's clock, for `recorded_us`.
        shard: which part of the plant this process judges.
    """

    def __init__(
        self,
        engine: sa.Engine,
        names: Sequence[str],
        *,
        kinds: Mapping[str, str] | None = None,
        limits: Limits | None = None,
        now_us: Callable[[], int] = wall_clock_us,
        shard: str = "main",
    ) -> None:
        self._engine = engine
        self._place = place_of(engine.url)
        self._limits = limits or Limits()
        self._now_us = now_us
        self._shard = shard
        self._lock = WriterLock(engine, shard)
        self._connection: sa.Connection | None = None
        self._inserter = rows.PostgresInserter()
        self._ids: npt.NDArray[np.int32] = np.empty(0, np.int32)
        try:
            self.use_names(names, kinds)
        except BaseException:
            self.close()
            raise

    def use_names(self, names: Sequence[str], kinds: Mapping[str, str] | None = None) -> None:
        """From now on `Batch.series` indexes these names (after a change of the register)."""
        with in_words(self._place):
            connection = self._ready()
            with connection.begin():
                ids = series_table.register(connection, names, kinds or {}, self._now_us())
        self._ids = ids

    def adopt(self, ids: npt.NDArray[np.int32]) -> None:
        """The same once a transaction that registered the names (`Transaction.use_names`) has committed."""
        self._ids = ids

    @contextmanager
    def transaction(self) -> Iterator[Transaction]:
        """One transaction; commits when the block ends, rolls back if it raises. Raises StoreError."""
        with in_words(self._place):
            connection = self._ready()
            with connection.begin():
                yield Transaction(
                    connection, self._inserter, self._ids, self._limits, self._now_us(), self._shard
                )

    def close(self) -> None:
        """Give the store free for another writer."""
        connection, self._connection = self._connection, None
        try:
            if connection is not None:
                connection.close()
        finally:
            self._lock.release()

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _ready(self) -> sa.Connection:
        """The connection; a new one if the server was away, with what every session needs."""
        if self._connection is not None and (self._connection.invalidated or self._connection.closed):
            self._connection.close()
            self._connection = None
        if self._connection is None:
            connection = self._engine.connect()
            connection.detach()  # closing it must end the session, and PostgreSQL's lock with it
            try:
                self._lock.acquire(connection)
                _prepare(connection)
            except BaseException:
                connection.close()  # detached: that ends the session; `invalidate` would leave it the lock
                raise
            self._connection = connection
        return self._connection


def _prepare(connection: sa.Connection) -> None:
    """SQLite: room. PostgreSQL: somewhere for samples to arrive, and no commit that is not durable."""
    enlarge_cache(connection)
    if connection.dialect.name != "postgresql":
        return
    with connection.begin():
        connection.exec_driver_sql(rows.STAGING)
        if connection.exec_driver_sql("SHOW synchronous_commit").scalar_one() == "off":
            connection.exec_driver_sql("SET synchronous_commit = on")


class Transaction:
    """What can be written in one transaction. Every method may be run again after a rollback."""

    def __init__(
        self,
        connection: sa.Connection,
        inserter: rows.PostgresInserter,
        ids: npt.NDArray[np.int32],
        limits: Limits,
        now_us: int,
        shard: str,
    ) -> None:
        self._connection = connection
        self._inserter = inserter
        self._ids = ids
        self._limits = limits
        self._now_us = now_us
        self._shard = shard

    def samples(self, batch: Batch) -> int:
        """Store samples; the first value stored for a (series, time) stays. Returns how many were new."""
        if not len(batch):
            return 0
        if not np.isfinite(batch.value).all():
            raise ValueError("a sample's value is not finite; the decoder has to turn it away")
        columns = rows.Columns.of(batch.time_us, self._ids[batch.series], batch.value, batch.flags)
        if not self._limits.feed:
            return self._stored(columns)
        columns = self._inserted(columns)
        arrivals.note(self._connection, columns, self._now_us)
        return len(columns)

    def _stored(self, columns: rows.Columns) -> int:
        """Store samples; returns how many were new."""
        if self._connection.dialect.name == "sqlite":
            return self._carefully(columns)
        done = self._straight(columns)
        return len(done) if done is not None else self._carefully(columns)

    def _inserted(self, columns: rows.Columns) -> rows.Columns:
        """Store samples; returns those that were new, so that nobody is told of the others twice."""
        if self._connection.dialect.name == "sqlite":
            done = arrivals.fresh_nearby(self._connection, columns)
            if done is not None:
                self._carefully(done)
        else:
            done = self._straight(columns)
        if done is not None:
            return done
        with self._connection.begin_nested() as point:
            new = self._carefully(columns)
            if new < len(columns):
                point.rollback()
        if new < len(columns):  # redelivered in part
            columns = arrivals.fresh(self._connection, columns)
            self._carefully(columns)
        return columns

    def _straight(self, columns: rows.Columns) -> rows.Columns | None:
        """PostgreSQL, the quick way: returns those that were new; None, and none is stored, if it cannot be
        taken.
        """
        if self._inserter.wary:
            found = arrivals.fresh_nearby(self._connection, columns)
            if found is None:
                return None
            self._inserter.looked(doubles=len(found) < len(columns))
            columns = found
        if not len(columns) or self._inserter.straight(self._driver, columns):
            return columns
        return None

    def _carefully(self, columns: rows.Columns) -> int:
        if not len(columns):
            return 0
        if self._connection.dialect.name == "sqlite":
            return rows.insert_sqlite(self._driver, columns)
        return self._inserter.insert(self._driver, columns)

    @property
    def _driver(self) -> Any:
        return self._connection.connection.dbapi_connection

    def journal(self, entries: Iterable[JournalEntry]) -> list[JournalRow]:
        """Append to the alarm journal what is not on record yet; returns those entries with their `seq`."""
        return journal.append(self._connection, list(entries), self._now_us)

    def verdict_changes(self, changes: Iterable[VerdictChange]) -> None:
        """Record changed verdicts; one already on record for (valve, time) stays."""
        judged.add_verdict_changes(self._connection, list(changes), self._limits.verdict_changes)

    def late(self, marks: Iterable[backfill.Mark]) -> None:
        """Groups that have to be judged again, for samples of this transaction came after their time."""
        backfill.mark(self._connection, marks)

    def anew(
        self, group: str, after_us: int, to_us: int, blocks: Iterable[tuple[str, Block]],
        valves: Sequence[str], changes: Sequence[VerdictChange], entries: Iterable[JournalEntry],
    ) -> int:  # fmt: skip
        """Levels and verdicts of a group in (after_us, to_us] become these; returns how many of the journal
        entries were new. Those on record stay: they were told.
        """
        limit = self._limits.verdict_changes
        backfill.replace(self._connection, group, after_us, to_us, blocks, valves, changes, limit)
        return len(journal.append(self._connection, backfill.found_entries(entries), self._now_us))

    def backfilled(self, done: backfill.Mark, to_us: int, ticks: int, verdicts: int, entries: int) -> None:
        """A group has been judged again up to `to_us`."""
        backfill.finish(self._connection, done, to_us, self._now_us, ticks, verdicts, entries)

    def checkpoint(self, ticks: str, payload: bytes) -> None:
        """Keep the engine's state of this moment; `ticks` as in `backfill.Checkpoint`."""
        backfill.put_checkpoint(self._connection, self._now_us, ticks, payload)

    def readings(self, readings: Iterable[Reading]) -> None:
        """Replace the latest reading of each group."""
        judged.put_readings(self._connection, list(readings))

    def ticks(self, blocks: Iterable[tuple[str, Block]]) -> None:
        """Merge ticks of (group, block) into the history, hour by hour. A tick on record stays."""
        history.merge_ticks(self._connection, blocks)

    def blocks(self, blocks: Iterable[StoredBlock]) -> None:
        """Put encoded blocks as they are, replacing those with the same (group, start)."""
        history.put_blocks(self._connection, list(blocks))

    def engine_state(self, payload: bytes, *, version: int = 1) -> None:
        """Save the engine's state with the data it has consumed."""
        judged.put_engine_state(self._connection, self._shard, self._now_us, version, payload)

    def rejects(self, rejects: Iterable[Reject]) -> None:
        """Add to the bounded reject log."""
        turned_away.add_rejects(self._connection, list(rejects), self._limits.rejects)

    def unknown(self, names: Mapping[str, UnknownName]) -> None:
        """Add to the bounded list of names that are not in the register; counts add up."""
        turned_away.add_unknown(self._connection, list(names.values()), self._limits.unknown_names)

    def pending_actions(self, limit: int = 1000) -> list[ActionRow | ChangeRow]:
        """Actions and changes without an outcome, oldest first."""
        return actions.pending(self._connection, limit)

    def change(self, change: Change) -> int:
        """Put a change on record that the service itself asks for; it is taken up like any other."""
        return changes.insert_change(self._connection, change, self._now_us)

    def action_applied(self, action_id: int, applied_after_us: int | None, outcome: str) -> None:
        """Settle an action or change: after which tick it was applied (None: refused) and the outcome."""
        actions.settle(self._connection, action_id, applied_after_us, outcome)

    def settings_version(self, payload: str) -> int:
        """Record settings and register (JSON text) if they differ from the last version; returns its id."""
        return judged.add_settings_version(self._connection, self._now_us, payload)

    def use_names(self, names: Sequence[str], kinds: Mapping[str, str]) -> npt.NDArray[np.int32]:
        """Register names of a new register; after the commit give what this returns to `Writer.adopt`."""
        turned_away.forget_unknown(self._connection, names)
        return series_table.register(self._connection, names, kinds, self._now_us)

    def register_in_force(
        self, number: int, after_us: Mapping[str, int], left_behind: list[dict[str, Any]]
    ) -> None:
        """A version of the register is in force, together with the engine's state under it."""
        registers.settle(
            self._connection, number, registers.IN_FORCE, applied_us=self._now_us,
            applied_after_us=after_us, left_behind=left_behind,
        )  # fmt: skip

    def meta(self, key: str, value: str) -> None:
        """Set a value that the service keeps for itself."""
        judged.put_meta(self._connection, key, value)
