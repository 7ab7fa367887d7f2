"""Versions of the register on record: one waits at a time, each has an outcome, none is changed or lost."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from hissmark.store import registers
from hissmark.store.registers import IN_FORCE, How, NewVersion, RegisterBusyError

TEXT = "channel,kind,valve,group,position\r\nA,valve,XV-1,Süd,1\r\n"


def wanted(base_id=None, comment="new header"):
    return NewVersion("m.okafor", comment, How.IMPORTED, TEXT, "digest", base_id)


def put_in_force(engine, number, after_us=None):
    with engine.begin() as connection:
        registers.settle(
            connection, number, IN_FORCE, applied_us=500, applied_after_us=after_us or {"Süd": 480},
            left_behind=[{"channel": "B", "mode": 0}],
        )  # fmt: skip


def test_a_version_waits_and_comes_into_force(store):
    engine = store.engine()
    number = registers.ask_for(engine, wanted(), 123)
    with engine.begin() as connection:
        assert registers.waiting(connection).id == number
        assert registers.in_force(connection) is None
    put_in_force(engine, number)
    with engine.begin() as connection:
        assert registers.waiting(connection) is None
        found = registers.in_force(connection)
    assert (found.id, found.operator, found.how, found.text) == (number, "m.okafor", How.IMPORTED, TEXT)
    assert (found.recorded_us, found.applied_us, found.applied_after_us) == (123, 500, {"Süd": 480})
    assert found.left_behind == [{"channel": "B", "mode": 0}]


def test_nobody_overtakes_one_that_waits_nor_one_that_was_not_seen(store):
    engine = store.engine()
    first = registers.ask_for(engine, wanted(), 1)
    with pytest.raises(RegisterBusyError, match=r"Version 1 of m\.okafor is waiting"):
        registers.ask_for(engine, wanted(), 2)
    put_in_force(engine, first)
    with pytest.raises(RegisterBusyError, match=r"changed meanwhile: version 1 \(imported by m.okafor\)"):
        registers.ask_for(engine, wanted(base_id=None), 3)
    assert registers.ask_for(engine, wanted(base_id=first), 4) > first


def test_one_that_was_refused_is_no_base(store):
    engine = store.engine()
    first = registers.ask_for(engine, wanted(), 1)
    with engine.begin() as connection:
        registers.settle(connection, first, "refused: no room")
    second = registers.ask_for(engine, wanted(), 2)
    put_in_force(engine, second)
    with engine.begin() as connection:
        assert [v.id for v in registers.all_in_force(connection)] == [second]
        assert [v.outcome for v in registers.read_page(connection, None, 10)] == [
            IN_FORCE,
            "refused: no room",
        ]
        assert registers.read(connection, first).outcome == "refused: no room"
        assert registers.read(connection, 99) is None


@pytest.mark.parametrize(
    "change",
    ["DELETE FROM register_versions", "UPDATE register_versions SET text = ''"],
    ids=["deleted", "changed"],
)
def test_what_is_on_record_stays(store, change):
    engine = store.engine()
    put_in_force(engine, registers.ask_for(engine, wanted(), 1))
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), engine.begin() as connection:
        connection.exec_driver_sql(change)
