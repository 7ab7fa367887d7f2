"""The book of findings and repairs: nothing changes, corrections supersede, on either database."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
import sqlalchemy as sa

from hissmark.store.repair_records import Cost, Finding, Found, Repair, Work
from hissmark.store.repairs import CorrectionError, OutcomeRow, RepairBook, standing

T0 = 1_772_323_200_000_000
HOUR = 3_600_000_000
FINDING = Finding("XV-101", T0, Found.PASSING, "Kari", "hiss at the seat", None, Cost(Decimal("80.5"), "EUR"))
REPAIR = Repair("XV-101", T0 + HOUR, Work.SEAT_LAPPED, "Ola", "scored", Cost(Decimal("1250.10"), "EUR"))


@pytest.fixture
def book(store) -> RepairBook:  # type: ignore[no-untyped-def]
    return RepairBook(store.engine(), store.engine())


def test_what_is_written_is_read_back(book: RepairBook) -> None:
    one, two = book.add_finding(FINDING, T0 + 5), book.add_repair(REPAIR, T0 + 6)
    [finding], [repair] = book.findings(), book.repairs()
    assert (finding.id, finding.recorded_us, finding.what) == (one, T0 + 5, FINDING)
    assert (repair.id, repair.recorded_us, repair.what, repair.stands) == (two, T0 + 6, REPAIR, True)


def test_a_correction_supersedes_and_both_stay_on_record(book: RepairBook) -> None:
    first = book.add_repair(REPAIR, T0)
    right = replace(REPAIR, work=Work.SEAT_REPLACED, valve="XV-102")
    second = book.add_repair(right, T0 + 1, supersedes=first)
    old, new = book.repairs()
    assert (old.superseded_by, old.stands, new.supersedes, new.what) == (second, False, first, right)
    assert [row.id for row in standing(book.repairs())] == [second]
    assert [row.superseded_by for row in book.repairs("XV-101")] == [second]


def test_nothing_is_corrected_twice(book: RepairBook) -> None:
    first = book.add_repair(REPAIR, T0)
    book.add_repair(REPAIR, T0, supersedes=first)
    with pytest.raises(CorrectionError, match="was corrected already, by 2"):
        book.add_repair(REPAIR, T0, supersedes=first)
    with pytest.raises(CorrectionError, match="no finding 7"):
        book.add_finding(FINDING, T0, supersedes=7)


def test_what_is_taken_back_counts_for_nothing(book: RepairBook) -> None:
    number = book.add_finding(FINDING, T0)
    gone = book.withdraw_finding(number, "Kari", "other valve", T0 + 9)
    assert standing(book.findings()) == []
    old, new = book.findings()
    assert (old.what, old.superseded_by) == (FINDING, gone)
    assert (new.withdrawn, new.what.note, new.what.cost) == (True, "other valve", None)
    with pytest.raises(CorrectionError, match="taken back"):
        book.withdraw_finding(gone, "Kari", "", T0)


def test_an_outcome_is_written_once(book: RepairBook) -> None:
    row = OutcomeRow(1, T0, T0 + 1, "tight again", "", None, {"before": None, "hold_s": 1800})
    assert book.add_outcome(row)
    assert not book.add_outcome(replace(row, outcome="still passing"))
    assert book.outcomes() == {1: row}


@pytest.mark.parametrize("table", ["findings", "repairs", "repair_outcomes"])
@pytest.mark.parametrize("deed", ["UPDATE {} SET at_us = 0", "DELETE FROM {}"])
def test_the_database_refuses_changes(store, table: str, deed: str) -> None:  # type: ignore[no-untyped-def]
    engine = store.engine()
    book = RepairBook(engine, engine)
    book.add_finding(FINDING, T0)
    book.add_outcome(OutcomeRow(book.add_repair(REPAIR, T0), T0, T0, "not tested", "", None, {}))
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), engine.begin() as connection:
        connection.execute(sa.text(deed.format(table)))


def test_a_span_of_time_is_read(book: RepairBook) -> None:
    for hour in range(4):
        book.add_repair(replace(REPAIR, at_us=T0 + hour * HOUR), T0)
    found = book.repairs(from_us=T0 + HOUR, to_us=T0 + 3 * HOUR)
    assert [row.what.at_us for row in found] == [T0 + HOUR, T0 + 2 * HOUR]


@pytest.mark.parametrize(
    ("amount", "currency", "why"),
    [("12,50", "EUR", "no amount"), ("-1", "EUR", "0 or more"), ("1.005", "EUR", "two decimals"),
     ("nan", "EUR", "0 or more"), ("5", "€", "ISO 4217")],
)  # fmt: skip
def test_money_is_read_with_care(amount: str, currency: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Cost.read(amount, currency)
    assert Cost.read("1250.50", "eur") == Cost(Decimal("1250.50"), "EUR")
