"""The notes of the shifts: what operators leave to those who come after. Append-only."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.schema import shift_notes


@dataclass(frozen=True, slots=True)
class ShiftNote:
    """One note. `valve` is the tag it is about, None if it is about the shift as a whole."""

    id: int
    at_us: int
    author: str
    valve: str | None
    text: str


def add_note(engine: sa.Engine, author: str, text: str, valve: str | None, now_us: int) -> ShiftNote:
    """Put a note on record; durable when this returns."""
    with in_words(place_of(engine.url)), engine.begin() as connection:
        return insert_note(connection, author, text, valve, now_us)


def insert_note(
    connection: sa.Connection, author: str, text: str, valve: str | None, now_us: int
) -> ShiftNote:
    """Put a note on record within a transaction."""
    author, text = cleaned(author), cleaned(text)
    valve = None if valve is None else cleaned(valve)
    values = {"at_us": now_us, "author": author, "valve": valve, "text": text}
    statement = sa.insert(shift_notes).returning(shift_notes.c.id)
    number = int(connection.execute(statement, values).scalar_one())
    return ShiftNote(number, now_us, author, valve, text)


def read_notes(
    connection: sa.Connection,
    *,
    from_us: int | None = None,
    to_us: int | None = None,
    before_id: int | None = None,
    limit: int = 100,
) -> list[ShiftNote]:
    """One page, newest first; `from_us` included, `to_us` not."""
    c = shift_notes.c
    query = sa.select(shift_notes).order_by(c.id.desc()).limit(limit)
    if from_us is not None:
        query = query.where(c.at_us >= from_us)
    if to_us is not None:
        query = query.where(c.at_us < to_us)
    if before_id is not None:
        query = query.where(c.id < before_id)
    return [ShiftNote(*row) for row in connection.execute(query)]
