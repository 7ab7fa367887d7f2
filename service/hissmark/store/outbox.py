"""The outbox on record: who is to be told of which journal entry, when, and what became of it.

Its place in the journal is kept in the same transaction as the rows it makes, so that no entry is skipped
and none is planned twice, whenever the service dies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.store.dialects import cleaned, upsert
from hissmark.store.errors import in_words
from hissmark.store.journal import row_of
from hissmark.store.judged import put_meta, read_meta
from hissmark.store.open import place_of
from hissmark.store.records import JournalRow
from hissmark.store.schema import journal, outbox

POSITION = "notify.position"


@dataclass(frozen=True, slots=True)
class Planned:
    """One receiver is to be told of one journal entry, not before `due_us`.

    Attributes:
        kind: `event`, or `unacknowledged` for an escalation.
    """

    receiver: str
    seq: int
    kind: str
    created_us: int
    due_us: int


@dataclass(frozen=True, slots=True)
class Waiting:
    """A row that waits, with the journal entry it is about."""

    id: int
    planned: Planned
    attempts: int
    entry: JournalRow


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A row as it stands. `outcome` is None while it waits."""

    id: int
    planned: Planned
    attempts: int
    last_error: str
    done_us: int | None
    outcome: str | None


class Outbox:
    """Reads and writes the outbox; any thread may use it. Every method is one short transaction."""

    def __init__(self, writing: sa.Engine, reading: sa.Engine) -> None:
        self._writing, self._reading = writing, reading
        self._place = place_of(writing.url)

    def position(self) -> int | None:
        """`seq` of the last journal entry that was planned; None before the first start."""
        with in_words(self._place), self._reading.begin() as connection:
            text = read_meta(connection, POSITION)
        return None if text is None else int(text)

    def begin_at_end(self) -> int:
        """First start: what is on record already is history. Returns the position."""
        with in_words(self._place), self._writing.begin() as connection:
            newest = int(connection.scalar(sa.select(sa.func.max(journal.c.seq))) or 0)
            put_meta(connection, POSITION, str(newest))
        return newest

    def plan(self, rows: Sequence[Planned], position: int) -> None:
        """Put rows in and move on in the journal, together."""
        with in_words(self._place), self._writing.begin() as connection:
            if rows:
                statement = upsert(connection, outbox).on_conflict_do_nothing(
                    index_elements=["receiver", "seq", "kind"]
                )
                connection.execute(statement, [_values(row) for row in rows])
            put_meta(connection, POSITION, str(position))

    def due(self, receiver: str, now_us: int, limit: int) -> list[Waiting]:
        """What this receiver is to be told by now, in order of the journal."""
        c = outbox.c
        query = (
            sa.select(outbox, *(column.label(f"j_{column.name}") for column in journal.c))
            .join(journal, journal.c.seq == c.seq)
            .where(c.receiver == receiver, c.outcome.is_(None), c.due_us <= now_us)
            .order_by(c.seq, c.id)
            .limit(limit)
        )
        with in_words(self._place), self._reading.begin() as connection:
            return [_waiting(row) for row in connection.execute(query).mappings()]

    def newest_seq(self, valve: str, alarm: str) -> int:
        """The newest journal entry about one alarm."""
        query = sa.select(sa.func.max(journal.c.seq)).where(
            journal.c.valve == valve, journal.c.alarm == alarm
        )
        with in_words(self._place), self._reading.begin() as connection:
            return int(connection.scalar(query) or 0)

    def last_told(self, receiver: str, valve: str, alarm: str) -> str | None:
        """Kind of the last message about one alarm that reached the receiver."""
        c = outbox.c
        query = (
            sa.select(c.kind)
            .join(journal, journal.c.seq == c.seq)
            .where(
                c.receiver == receiver,
                c.outcome == "sent",
                journal.c.valve == valve,
                journal.c.alarm == alarm,
            )
            .order_by(c.done_us.desc(), c.seq.desc())
            .limit(1)
        )
        with in_words(self._place), self._reading.begin() as connection:
            found = connection.scalar(query)
        return None if found is None else str(found)

    def settle(self, ids: Sequence[int], outcome: str, done_us: int) -> None:
        """Write what became of some rows; an outcome that is there already stays."""
        self._update(ids, {"outcome": outcome, "done_us": done_us})

    def failed(self, ids: Sequence[int], error: str) -> None:
        """Note one more attempt in vain."""
        self._update(ids, {"attempts": outbox.c.attempts + 1, "last_error": cleaned(error)[:1000]})

    def _update(self, ids: Sequence[int], values: dict[str, object]) -> None:
        if not ids:
            return
        statement = sa.update(outbox).where(outbox.c.id.in_(ids), outbox.c.outcome.is_(None)).values(values)
        with in_words(self._place), self._writing.begin() as connection:
            connection.execute(statement)

    def waiting(self) -> dict[str, tuple[int, int]]:
        """Receiver -> (how many wait, since when the oldest of them is due)."""
        c = outbox.c
        query = sa.select(c.receiver, sa.func.count(), sa.func.min(c.due_us)).where(c.outcome.is_(None))
        with in_words(self._place), self._reading.begin() as connection:
            return {row[0]: (row[1], row[2]) for row in connection.execute(query.group_by(c.receiver))}

    def rows(
        self, *, receiver: str | None = None, before_id: int | None = None, limit: int = 100
    ) -> list[OutboxRow]:
        """Newest first."""
        query = sa.select(outbox).order_by(outbox.c.id.desc()).limit(limit)
        if receiver is not None:
            query = query.where(outbox.c.receiver == receiver)
        if before_id is not None:
            query = query.where(outbox.c.id < before_id)
        with in_words(self._place), self._reading.begin() as connection:
            return [_row(row) for row in connection.execute(query).mappings()]

    def drop_beyond(self, receiver: str, most: int, now_us: int) -> int:
        """Give up the oldest rows where more than `most` wait; returns how many went."""
        c = outbox.c
        waiting = sa.select(c.id).where(c.receiver == receiver, c.outcome.is_(None))
        keep = waiting.order_by(c.id.desc()).limit(most).subquery()
        statement = (
            sa.update(outbox)
            .where(c.receiver == receiver, c.outcome.is_(None), c.id.not_in(sa.select(keep.c.id)))
            .values(outcome="dropped: too many waited", done_us=now_us)
        )
        with in_words(self._place), self._writing.begin() as connection:
            return connection.execute(statement).rowcount

    def forget(self, before_us: int) -> int:
        """Delete rows that were dealt with before a moment; returns how many went."""
        c = outbox.c
        statement = sa.delete(outbox).where(c.outcome.is_not(None), c.done_us < before_us)
        with in_words(self._place), self._writing.begin() as connection:
            return connection.execute(statement).rowcount


def _values(row: Planned) -> dict[str, object]:
    return {
        "receiver": row.receiver, "seq": row.seq, "kind": row.kind, "created_us": row.created_us,
        "due_us": row.due_us, "attempts": 0, "last_error": "",
    }  # fmt: skip


def _planned(row: sa.RowMapping) -> Planned:
    return Planned(row["receiver"], row["seq"], row["kind"], row["created_us"], row["due_us"])


def _waiting(row: sa.RowMapping) -> Waiting:
    entry = {name[2:]: value for name, value in row.items() if name.startswith("j_")}
    return Waiting(row["id"], _planned(row), row["attempts"], row_of(entry))


def _row(row: sa.RowMapping) -> OutboxRow:
    return OutboxRow(
        row["id"], _planned(row), row["attempts"], row["last_error"], row["done_us"], row["outcome"]
    )
