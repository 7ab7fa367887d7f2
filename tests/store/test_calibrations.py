"""Measured leaks and assumptions: durable, superseded, never overwritten; on SQLite and PostgreSQL."""

from __future__ import annotations

from dataclasses import replace

import pytest
import sqlalchemy as sa

from hissmark.store.calibrations import (
    WITHDRAWN,
    Assumption,
    Calibration,
    add_assumption,
    add_calibration,
    standing,
)

T0 = 1_700_000_000_000_000
POINT = Calibration(
    "XV-1", T0 - 60, "mia", "survey", "methane", 52.25, 0.5, 1.25e-3, 0.02, 7e5, None, 293.15,
    {"leak": "4.5 kg/h", "uncertainty": "10 %"}, (("measured leak", "4.5 kg/h", "flow meter"),),
)  # fmt: skip


def test_what_was_put_comes_back(store):
    """To the last digit, with what was typed and every step; the text survives what databases cannot take."""
    engine = store.engine()
    added = add_calibration(engine, replace(POINT, reason="a\0b"), T0)
    stated = add_assumption(engine, Assumption("price", "0.45 EUR/kg", None, "mia", "list"), T0 + 1)
    reader = store.reader()
    assert reader.calibrations() == [replace(POINT, reason="a\\0b", id=added.id, recorded_us=T0)]
    assert reader.assumptions() == [stated]
    assert reader.worth_marks() == (added.id, stated.id)
    assert reader.calibrations(valve="XV-2") == []


def test_only_the_newest_of_a_chain_counts(store):
    engine = store.engine()
    first = add_calibration(engine, POINT, T0)
    second = add_calibration(engine, replace(POINT, rate_kg_s=2e-3, supersedes=first.id), T0 + 10)
    other = add_calibration(engine, replace(POINT, valve="XV-2"), T0 + 20)
    gone = replace(second, kind=WITHDRAWN, supersedes=second.id, id=0)
    add_calibration(engine, gone, T0 + 30)
    reader = store.reader()
    assert [r.id for r in standing(reader.calibrations())] == [other.id]
    assert [r.id for r in standing(reader.calibrations(until_us=T0 + 10))] == [second.id]
    assert len(reader.calibrations()) == 4


@pytest.mark.parametrize("table", ["calibrations", "assumptions"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET author = 'x'", "DELETE FROM {}"])
def test_the_database_refuses_changes(store, table, statement):
    engine = store.engine()
    add_calibration(engine, POINT, T0)
    add_assumption(engine, Assumption("price", "1 EUR/kg", "XV-1", "mia", ""), T0)
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), engine.begin() as connection:
        connection.execute(sa.text(statement.format(table)))
