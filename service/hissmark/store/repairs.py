"""The book of findings and repairs: written once, corrected by rows that supersede, never changed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import sqlalchemy as sa

from hissmark.engine.change import Change
from hissmark.store.changes import insert_change
from hissmark.store.dialects import cleaned, upsert
from hissmark.store.errors import in_words
from hissmark.store.letters import LetterKind, insert_letters
from hissmark.store.notes import insert_note
from hissmark.store.open import place_of
from hissmark.store.repair_records import Cost, Finding, Found, Kind, OnRecord, Repair, Work
from hissmark.store.tables_repairs import findings, repair_outcomes, repairs


class CorrectionError(ValueError):
    """What is to be corrected is not there, or was corrected already. The message says what to do."""


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """What the check of a repair found. `at_us`: event time; `reason`, `about`: see `engine.repair_check`."""

    repair_id: int
    at_us: int
    recorded_us: int
    outcome: str
    reason: str
    about: str | None
    payload: dict[str, Any]


AUTHOR = "hissmark"
"""Who leaves the note for the shift when a check has ended."""


@dataclass(frozen=True, slots=True)
class News:
    """What follows from an outcome: changes to the computation, a note for the shift, letters.

    Attributes:
        sentence: for the note. receivers: names of those who get a letter.
    """

    valve: str
    sentence: str
    changes: tuple[Change, ...] = ()
    receivers: tuple[str, ...] = ()


class RepairBook:
    """Reads and writes the book; any thread or process may use it. Every method is one short transaction.

    Args:
        writing: from `open_store`, or from `open_for_actions` in another process than the service.
        reading: from `open_for_reading`, so that reading never waits for a writer.
    """

    def __init__(self, writing: sa.Engine, reading: sa.Engine) -> None:
        self._writing, self._reading = writing, reading
        self._place = place_of(writing.url)

    def add_finding(self, finding: Finding, now_us: int, *, supersedes: int | None = None) -> int:
        """Put a finding on record; durable when this returns its number. Raises CorrectionError."""
        own = {"found": str(finding.found), "source": finding.source and cleaned(finding.source)}
        return self._add(findings, _values(finding, now_us) | own, supersedes)

    def add_repair(
        self, repair: Repair, now_us: int, *, supersedes: int | None = None, changes: Sequence[Change] = ()
    ) -> int:
        """Put a repair on record; durable when this returns its number. Raises CorrectionError.

        `changes` go on record with it, in the same transaction.
        """
        return self._add(repairs, _values(repair, now_us) | {"work": str(repair.work)}, supersedes, changes)

    def withdraw_finding(self, number: int, who: str, note: str, now_us: int) -> int:
        """Take a finding back: it stays on record and counts for nothing. Raises CorrectionError."""
        return self._withdraw(findings, number, who, note, now_us)

    def withdraw_repair(self, number: int, who: str, note: str, now_us: int) -> int:
        """Take a repair back: it stays on record and counts for nothing. Raises CorrectionError."""
        return self._withdraw(repairs, number, who, note, now_us)

    def findings(
        self, valve: str | None = None, *, from_us: int | None = None, to_us: int | None = None
    ) -> list[OnRecord[Finding]]:
        """All findings on record, also corrected ones, by time of finding."""
        return [
            _on_record(row, later, _finding(row))
            for row, later in self._rows(findings, valve, from_us, to_us)
        ]

    def repairs(
        self, valve: str | None = None, *, from_us: int | None = None, to_us: int | None = None
    ) -> list[OnRecord[Repair]]:
        """All repairs on record, also corrected ones, by time of the work."""
        return [
            _on_record(row, later, _repair(row)) for row, later in self._rows(repairs, valve, from_us, to_us)
        ]

    def repair(self, number: int) -> OnRecord[Repair] | None:
        """One repair, corrected or not."""
        return next((r for r in self.repairs() if r.id == number), None)

    def add_outcome(self, row: OutcomeRow, news: News | None = None) -> bool:
        """Write what a check found and what follows from it, in one transaction; whether it is new."""
        values = {
            "repair_id": row.repair_id, "at_us": row.at_us, "recorded_us": row.recorded_us,
            "outcome": row.outcome, "reason": row.reason, "about": row.about,
            "payload": json.dumps(row.payload),
        }  # fmt: skip
        with in_words(self._place), self._writing.begin() as connection:
            statement = upsert(connection, repair_outcomes).on_conflict_do_nothing(
                index_elements=["repair_id"]
            )
            written = connection.execute(statement.returning(repair_outcomes.c.repair_id), values)
            if written.one_or_none() is None:
                return False
            if news is not None:
                _follow(connection, row, news)
        return True

    def outcomes(self) -> dict[int, OutcomeRow]:
        """Number of the repair -> what its check found, of all that have ended."""
        with in_words(self._place), self._reading.begin() as connection:
            rows = connection.execute(sa.select(repair_outcomes)).all()
        return {r[0]: OutcomeRow(r[0], r[1], r[2], r[3], r[4], r[5], json.loads(r[6])) for r in rows}

    def _add(
        self, table: sa.Table, values: dict[str, Any], supersedes: int | None, changes: Sequence[Change] = ()
    ) -> int:
        row = {**values, "supersedes": supersedes, "withdrawn": values.get("withdrawn", 0)}
        with in_words(self._place), self._writing.begin() as connection:
            if supersedes is not None:
                _standing(connection, table, supersedes)
            for change in changes:
                insert_change(connection, change, values["recorded_us"])
            return int(connection.execute(sa.insert(table).returning(table.c.id), row).scalar_one())

    def _withdraw(self, table: sa.Table, number: int, who: str, note: str, now_us: int) -> int:
        with in_words(self._place), self._writing.begin() as connection:
            old = dict(_standing(connection, table, number))
            old.pop("id")
            new = {
                "recorded_us": now_us,
                "who": cleaned(who),
                "recorded_by": "",
                "note": cleaned(note),
                "withdrawn": 1,
            }
            row = {**old, **new, "supersedes": number, "amount": None, "currency": None}
            return int(connection.execute(sa.insert(table).returning(table.c.id), row).scalar_one())

    def _rows(
        self, table: sa.Table, valve: str | None, from_us: int | None, to_us: int | None
    ) -> list[tuple[Any, int | None]]:
        """Rows with the number of the row that supersedes each."""
        later = table.alias("later")
        query = sa.select(table, later.c.id.label("superseded_by")).select_from(
            table.outerjoin(later, later.c.supersedes == table.c.id)
        )
        if valve is not None:
            query = query.where(table.c.valve == valve)
        if from_us is not None:
            query = query.where(table.c.at_us >= from_us)
        if to_us is not None:
            query = query.where(table.c.at_us < to_us)
        with in_words(self._place), self._reading.begin() as connection:
            rows = connection.execute(query.order_by(table.c.at_us, table.c.id)).mappings().all()
        return [(row, row["superseded_by"]) for row in rows]


def standing(rows: Sequence[OnRecord[Kind]]) -> list[OnRecord[Kind]]:
    """Those that count: neither corrected nor withdrawn."""
    return [row for row in rows if row.stands]


def _standing(connection: sa.Connection, table: sa.Table, number: int) -> Any:
    """The row to be corrected. Raises CorrectionError if it does not stand."""
    row = connection.execute(sa.select(table).where(table.c.id == number)).mappings().one_or_none()
    what = str(table.name).rstrip("s")
    if row is None:
        raise CorrectionError(f"There is no {what} {number}.")
    later = connection.scalar(sa.select(table.c.id).where(table.c.supersedes == number))
    if later is not None:
        raise CorrectionError(f"The {what} {number} was corrected already, by {later}; correct that one.")
    if row["withdrawn"]:
        raise CorrectionError(f"The {what} {number} was taken back; put a new one on record.")
    return row


def _follow(connection: sa.Connection, row: OutcomeRow, news: News) -> None:
    for change in news.changes:
        insert_change(connection, change, row.recorded_us)
    insert_note(connection, AUTHOR, news.sentence, news.valve, row.recorded_us)
    insert_letters(connection, news.receivers, LetterKind.REPAIR, row.repair_id, row.recorded_us)


def _values(what: Finding | Repair, now_us: int) -> dict[str, Any]:
    cost = what.cost
    return {
        "recorded_us": now_us, "at_us": what.at_us, "valve": cleaned(what.valve), "who": cleaned(what.who),
        "note": cleaned(what.note), "amount": None if cost is None else str(cost.amount),
        "currency": None if cost is None else cost.currency, "recorded_by": cleaned(what.recorded_by),
    }  # fmt: skip


def _on_record(row: Any, later: int | None, what: Kind) -> OnRecord[Kind]:
    return OnRecord(row["id"], row["recorded_us"], what, row["supersedes"], later, bool(row["withdrawn"]))


def _cost(row: Any) -> Cost | None:
    return None if row["amount"] is None else Cost(Decimal(row["amount"]), row["currency"])


def _finding(row: Any) -> Finding:
    return Finding(
        row["valve"],
        row["at_us"],
        Found(row["found"]),
        row["who"],
        row["note"],
        row["source"],
        _cost(row),
        row["recorded_by"],
    )


def _repair(row: Any) -> Repair:
    return Repair(
        row["valve"], row["at_us"], Work(row["work"]), row["who"], row["note"], _cost(row), row["recorded_by"]
    )
