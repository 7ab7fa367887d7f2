"""Legal holds: what may not be deleted, and every deletion on record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.access.audit import AuditEvent, Author, note
from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.tables_archive import legal_holds

HOUSEKEEPING = Author("hissmark", "housekeeping")
"""Who deletes what is old."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Samples of a valve (None: all) with from_us <= time < to_us are kept until it is released."""

    id: int
    valve: str | None
    from_us: int
    to_us: int
    reason: str
    placed_by: str
    placed_us: int
    released_by: str | None = None
    released_us: int | None = None

    @property
    def active(self) -> bool:
        return self.released_us is None


class HoldDesk:
    """Holds of a site, for the web side. Every method is one short transaction. May raise StoreError."""

    def __init__(self, writing: sa.Engine, reading: sa.Engine, now_us: Callable[[], int]) -> None:
        self._writing, self._reading, self._now_us = writing, reading, now_us
        self._place = place_of(writing.url)

    def read(self) -> list[Hold]:
        """Every hold, oldest first."""
        with in_words(self._place), self._reading.begin() as connection:
            return read(connection)

    def place(self, valve: str | None, from_us: int, to_us: int, reason: str, by: Author) -> int:
        """Place a hold; returns its number."""
        with in_words(self._place), self._writing.begin() as connection:
            return place(connection, valve, from_us, to_us, reason, by, self._now_us())

    def release(self, number: int, by: Author) -> bool:
        """Release a hold; False if there is none of that number that stands."""
        with in_words(self._place), self._writing.begin() as connection:
            return release(connection, number, by, self._now_us())


def place(
    connection: sa.Connection,
    valve: str | None,
    from_us: int,
    to_us: int,
    reason: str,
    by: Author,
    now_us: int,
) -> int:
    """Place a hold; returns its number. On record in the audit journal, too."""
    values = {
        "valve": valve, "from_us": from_us, "to_us": to_us, "reason": cleaned(reason),
        "placed_by": cleaned(by.who), "placed_us": now_us,
    }  # fmt: skip
    number = int(connection.execute(sa.insert(legal_holds).returning(legal_holds.c.id), values).scalar_one())
    note(connection, now_us, by, AuditEvent.HOLD_PLACED, f"hold {number}: {valve or 'everything'}, {reason}")
    return number


def release(connection: sa.Connection, number: int, by: Author, now_us: int) -> bool:
    """Release a hold; False if there is none of that number that is active."""
    c = legal_holds.c
    done = connection.execute(
        sa.update(legal_holds)
        .where(c.id == number, c.released_us.is_(None))
        .values(released_by=cleaned(by.who), released_us=now_us)
    ).rowcount
    if done:
        note(connection, now_us, by, AuditEvent.HOLD_RELEASED, f"hold {number}")
    return bool(done)


def read(connection: sa.Connection, *, active: bool = False) -> list[Hold]:
    """Every hold, oldest first; of `active` ones only those that were not released."""
    query = sa.select(legal_holds).order_by(legal_holds.c.id)
    if active:
        query = query.where(legal_holds.c.released_us.is_(None))
    return [Hold(*row) for row in connection.execute(query)]
