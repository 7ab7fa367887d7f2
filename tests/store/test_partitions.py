"""PostgreSQL: a part of `samples` for each day, made ahead, filled later, dropped as a whole."""

from __future__ import annotations

import threading

import pytest
import sqlalchemy as sa

from hissmark.store import Writer, open_for_reading, partitions, retention
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.errors import StoreError
from hissmark.store.open import bring_up_to_date, open_at_revision
from hissmark.store.partitions import REST, Tended, tend
from hissmark.store.retention import Spared
from hissmark.store.rows import Columns
from support.sealing import D0, KINDS, NAMES, batch, days, everything, in_database, sealer, write

pytestmark = pytest.mark.postgres
NOON = DAY_US // 2


@pytest.fixture
def store(postgres_store):
    return postgres_store


def by_part(store):
    """Rows of each part that has any, asked of PostgreSQL's own catalogue."""
    query = (
        "SELECT c.relname, count(s.tableoid) FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
        "LEFT JOIN samples s ON s.tableoid = c.oid WHERE i.inhparent = 'samples'::regclass GROUP BY 1"
    )
    with store.engine().connect() as connection:
        return {name: rows for name, rows in connection.exec_driver_sql(query) if rows}


def tables(store):
    """Everything in pg_class that looks like a part, attached or not."""
    with store.engine().connect() as connection:
        query = (
            "SELECT relname FROM pg_class WHERE relname LIKE 'samples%%' AND relkind = 'r' "
            "AND relpersistence = 'p'"
        )
        return set(connection.exec_driver_sql(query).scalars())


def test_days_are_made_ahead(store):
    engine = store.engine()
    assert tables(store) == {REST}
    assert tend(engine, D0 + NOON) == Tended(4, 0, 0)
    names = [f"samples_2026030{n}" for n in (1, 2, 3, 4)]
    assert [part.name for part in partitions.parts(engine)] == [*names, REST]
    write(store, days(4, 5))
    assert by_part(store) == dict.fromkeys(names, 20)
    assert tend(engine, D0 + NOON) == Tended(0, 0, 0)


def test_what_has_no_part_is_taken_all_the_same_and_moved_later(store):
    """A day before, a year ahead, a clock at its zero; doubles are known as such before and after."""
    engine = store.engine()
    tend(engine, D0 + NOON)
    late, ahead, zero = D0 - DAY_US + 7, D0 + 365 * DAY_US, 5
    odd = batch([(1, D0, 1.0), (1, late, 2.0), (2, ahead, 3.0), (3, zero, 4.0), (1, -8, 5.0)])
    writer = write(store, odd)
    assert by_part(store) == {"samples_20260301": 1, REST: 4}
    before = everything(store, from_us=-10)
    assert tend(engine, D0 + NOON) == Tended(1, 1, 0)
    assert by_part(store) == {"samples_20260228": 1, "samples_20260301": 1, REST: 3}
    with writer.transaction() as tx:
        assert tx.samples(odd) == 0
    assert everything(store, from_us=-10) == before
    assert tend(engine, ahead).moved == 1  # its day has come
    assert by_part(store)["samples_20270301"] == 1


def test_an_old_day_gets_a_part_if_it_is_worth_one(store):
    engine = store.engine()
    write(store, days(1, 300), batch([(1, D0 - DAY_US, 1.0)]))
    assert tend(engine, D0 + 60 * DAY_US).moved == 1200
    assert by_part(store) == {"samples_20260301": 1200, REST: 1}


def test_a_sealed_day_is_dropped_as_a_whole(store):
    """Not row by row: PostgreSQL counts no deleted row, and the table is gone from pg_class."""
    engine = store.engine()
    tend(engine, D0 + NOON)
    write(store, days(3, 50))
    before, steps = everything(store), []
    sealer(store, step=steps.append).seal_before(D0 + 2 * DAY_US)
    assert steps.count("dropped the day") == 2
    assert "deleted a portion" not in steps
    assert "samples_20260301" not in tables(store)
    assert by_part(store) == {"samples_20260303": 200}
    assert everything(store) == before


def test_what_came_in_between_keeps_the_day(store):
    """A sample that came after the day was read is not on file: the day stays, with that sample."""
    engine = store.engine()
    tend(engine, D0 + NOON)
    writer = write(store, days(1, 50))
    before = everything(store)

    def step(name):
        if name == "recorded" and in_database(store) == 200:
            with writer.transaction() as tx:
                tx.samples(batch([(2, D0 + 1, 12.0)], flags=1))

    sealer(store, step=step).seal_day(D0)
    assert by_part(store) == {"samples_20260301": 1}
    assert everything(store) == sorted([*before, ("XV-102", D0 + 1, 12.0, 1)], key=lambda row: row[1])
    sealer(store).seal_day(D0)
    assert "samples_20260301" not in tables(store)
    assert len(everything(store)) == 201


def test_a_day_in_use_is_sealed_all_the_same(store, monkeypatch):
    """Somebody reads for hours: nobody waits for that, and the rows go one by one."""
    monkeypatch.setattr(partitions, "_PAUSE_S", 0.0)
    monkeypatch.setattr(partitions, "_TRIES", 2)
    engine = store.engine()
    tend(engine, D0 + NOON)
    write(store, days(1, 50))
    with store.engine().connect() as reading:
        reading.exec_driver_sql("SELECT count(*) FROM samples").scalar()
        assert sealer(store).seal_day(D0).rows == 200
        assert by_part(store) == {}
    assert len(everything(store)) == 200
    assert tend(engine, D0 + 5 * DAY_US).dropped == 4
    assert tables(store) == {REST, *(f"samples_2026030{n}" for n in (6, 7, 8, 9))}


def test_retention_drops_whole_days(store):
    """What is under a hold stays, and so does the rest of its day's valve, as on SQLite."""
    engine = store.engine()
    tend(engine, D0 + NOON)
    write(store, days(4, 20), batch([(1, D0 - DAY_US, 1.0)]))
    held = Spared(D0 + DAY_US, D0 + DAY_US + 5, frozenset())
    assert retention.delete_samples_before(engine, D0 + 3 * DAY_US, spared=[held]) == 241
    assert "samples_20260301" not in tables(store)
    assert "samples_20260302" in tables(store)
    assert by_part(store) == {"samples_20260304": 80}


def test_intake_goes_on_while_days_are_made_and_dropped(store):
    """A writer that never stops, beside days that come and go: every acknowledged sample is there once."""
    engine, names, failures = store.engine(), NAMES, []
    writer = Writer(engine, names, kinds=KINDS)
    stored, stop = [], threading.Event()

    def intake():
        n = 0
        while not stop.is_set():
            n += 1
            some = batch([(n % 4, D0 + (n % 6) * DAY_US + n, float(n)), (1, D0 + 20 * DAY_US + n, 1.0)])
            while True:
                try:
                    with writer.transaction() as tx:
                        tx.samples(some)
                    break
                except StoreError as error:
                    if not error.retry:
                        failures.append(error)
                        return
            stored.append(n)

    thread = threading.Thread(target=intake)
    thread.start()
    for n in range(6):
        reached = len(stored) + 20
        while len(stored) < reached and thread.is_alive():
            stop.wait(0.01)
        tend(engine, D0 + n * DAY_US)
        sealer(store).seal_day(D0)
    stop.set()
    thread.join()
    writer.close()
    assert failures == []
    assert len(everything(store)) == 2 * len(stored)
    assert len(partitions.parts(engine)) >= 6


# --- a database from before ---


@pytest.fixture
def before(store):
    """Tables of the version before, with days of samples, one of them far in the future."""
    engine = open_at_revision(store.url, store.folder, "0012")
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO series (name, kind, first_seen_us) VALUES "
            + ", ".join(f"('{n}', 'level', 0)" for n in NAMES)
        )
        rows = days(3, 100)
        columns = Columns.of(rows.time_us, rows.series + 1, rows.value, rows.flags)
        values = [
            {"time_us": t, "series_id": i, "value": v, "flags": f}
            for t, i, v, f in zip(
                [*columns.time_us.tolist(), D0 + 90_000 * DAY_US], [*columns.series_id.tolist(), 1],
                [*columns.value.tolist(), 7.0], [*columns.flags.tolist(), 2], strict=True,
            )
        ]  # fmt: skip
        connection.execute(
            sa.text("INSERT INTO samples VALUES (:time_us, :series_id, :value, :flags)"), values
        )
        connection.exec_driver_sql("CREATE ROLE looks_on")
        connection.exec_driver_sql("GRANT SELECT ON hissmark_samples TO looks_on")
        asked = connection.exec_driver_sql("SELECT name, time_us, value FROM hissmark_samples ORDER BY 2, 1")
        seen = asked.all()
    yield engine, seen
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP OWNED BY looks_on; DROP ROLE looks_on")
    engine.dispose()


def test_what_was_stored_before_becomes_a_part(store, before):
    """Not a row is lost or written anew; doubles are known; the day's end works through it; views and who
    may read them stay.
    """
    engine, seen = before
    where = "SELECT pg_relation_filenode('{}')"
    with engine.connect() as connection:
        node = connection.exec_driver_sql(where.format("samples")).scalar_one()
    bring_up_to_date(engine)
    assert by_part(store) == {"samples_before": 1200, REST: 1}
    with engine.connect() as connection:
        assert connection.exec_driver_sql(where.format("samples_before")).scalar_one() == node
        asked = connection.exec_driver_sql("SELECT name, time_us, value FROM hissmark_samples ORDER BY 2, 1")
        assert asked.all() == seen
        may = "SELECT has_table_privilege('looks_on', 'hissmark_samples', 'SELECT')"
        assert connection.exec_driver_sql(may).scalar_one()
    writer = write(store)
    with writer.transaction() as tx:
        assert tx.samples(days(3, 100)) == 0
    told = everything(store)
    sealer(store).seal_before(D0 + 3 * DAY_US)
    assert by_part(store) == {REST: 1}
    assert everything(store) == told


def test_the_part_from_before_goes_once_it_is_empty(store, before):
    engine, _ = before
    bring_up_to_date(engine)
    write(store)
    with engine.connect() as connection:
        now_us = connection.exec_driver_sql("SELECT extract(epoch FROM now())::bigint * 1000000").scalar_one()
    tend(engine, now_us)
    sealer(store).seal_before(D0 + 3 * DAY_US)
    tend(engine, now_us)
    assert "samples_before" in tables(store)  # today still goes there
    tend(engine, now_us + 3 * DAY_US)
    assert "samples_before" not in tables(store)


def test_an_empty_table_leaves_nothing_behind(store):
    store.engine()
    assert tables(store) == {REST}
    assert partitions.parts(open_for_reading(store.url, store.folder)) == [partitions.Part(REST, None, None)]
