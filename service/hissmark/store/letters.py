"""Letters on record: news that is no alarm, on its way to a receiver; tried again until it arrives.

A letter goes on record with what it tells, in one transaction, so that neither can be lost without the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import sqlalchemy as sa

from hissmark.store.dialects import cleaned, upsert
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.tables_letters import letters, reports


class LetterKind(StrEnum):
    """What a letter tells of."""

    REPAIR = "repair"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter that waits. `ref`: number of the repair or report that it is about."""

    id: int
    receiver: str
    kind: LetterKind
    ref: int
    created_us: int
    attempts: int


@dataclass(frozen=True, slots=True)
class ReportRow:
    """A report that was made, without its contents."""

    id: int
    made_us: int
    from_us: int
    to_us: int


def insert_letters(
    connection: sa.Connection, receivers: Sequence[str], kind: LetterKind, ref: int, now_us: int
) -> None:
    """Put letters on record within a transaction; one that is there already stays."""
    if not receivers:
        return
    statement = upsert(connection, letters).on_conflict_do_nothing(index_elements=["receiver", "kind", "ref"])
    row = {"kind": str(kind), "ref": ref, "created_us": now_us, "due_us": now_us, "attempts": 0,
           "last_error": ""}  # fmt: skip
    connection.execute(statement, [{**row, "receiver": name} for name in receivers])


class LetterBox:
    """Reads and settles letters, keeps reports. Every method is one short transaction."""

    def __init__(self, writing: sa.Engine, reading: sa.Engine) -> None:
        self._writing, self._reading = writing, reading
        self._place = place_of(writing.url)

    def due(self, now_us: int, limit: int = 50) -> list[Letter]:
        """What is to be told by now, oldest first."""
        c = letters.c
        query = (
            sa.select(c.id, c.receiver, c.kind, c.ref, c.created_us, c.attempts)
            .where(c.outcome.is_(None), c.due_us <= now_us)
            .order_by(c.id)
            .limit(limit)
        )
        with in_words(self._place), self._reading.begin() as connection:
            return [Letter(r[0], r[1], LetterKind(r[2]), r[3], r[4], r[5]) for r in connection.execute(query)]

    def settle(self, letter: Letter, outcome: str, now_us: int) -> None:
        """Write what became of it."""
        self._update(letter, {"outcome": outcome, "done_us": now_us})

    def put_off(self, letter: Letter, error: str, due_us: int) -> None:
        """Not arrived: try again later."""
        self._update(
            letter,
            {"attempts": letter.attempts + 1, "last_error": cleaned(error)[:1000], "due_us": due_us},
        )

    def waiting(self) -> int:
        """How many letters wait."""
        query = sa.select(sa.func.count()).select_from(letters).where(letters.c.outcome.is_(None))
        with in_words(self._place), self._reading.begin() as connection:
            return int(connection.scalar(query) or 0)

    def add_report(
        self,
        span_us: tuple[int, int],
        pdf: bytes,
        html: bytes,
        receivers: Sequence[str],
        now_us: int,
        keep: int,
    ) -> int:
        """Keep a report and put the letters on record that bring it to receivers; returns its number."""
        row = {"made_us": now_us, "from_us": span_us[0], "to_us": span_us[1], "pdf": pdf, "html": html}
        with in_words(self._place), self._writing.begin() as connection:
            statement = sa.insert(reports).returning(reports.c.id)
            number = int(connection.execute(statement, row).scalar_one())
            insert_letters(connection, receivers, LetterKind.REPORT, number, now_us)
            connection.execute(sa.delete(reports).where(reports.c.id <= number - keep))
        return number

    def reports(self) -> list[ReportRow]:
        """Reports that are kept, newest first."""
        c = reports.c
        query = sa.select(c.id, c.made_us, c.from_us, c.to_us).order_by(c.id.desc())
        with in_words(self._place), self._reading.begin() as connection:
            return [ReportRow(*row) for row in connection.execute(query)]

    def report(self, number: int) -> tuple[ReportRow, bytes, bytes] | None:
        """A report as PDF and HTML; None if it is not kept."""
        query = sa.select(reports).where(reports.c.id == number)
        with in_words(self._place), self._reading.begin() as connection:
            row = connection.execute(query).mappings().one_or_none()
        if row is None:
            return None
        about = ReportRow(row["id"], row["made_us"], row["from_us"], row["to_us"])
        return about, bytes(row["pdf"]), bytes(row["html"])

    def _update(self, letter: Letter, values: dict[str, object]) -> None:
        statement = sa.update(letters).where(letters.c.id == letter.id, letters.c.outcome.is_(None))
        with in_words(self._place), self._writing.begin() as connection:
            connection.execute(statement.values(values))
