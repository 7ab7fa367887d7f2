"""Views for readers with SQL, and the role that may read them and nothing else."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.records import VerdictChange
from hissmark.store.views import NAMES
from support.sealing import D0, batch, sealer, write

ROOT = Path(__file__).parents[2]
ROLE = (ROOT / "deploy" / "postgresql" / "reader.sql").read_text("utf-8")


RAISED = JournalEntry(
    D0 + 5, "XV-101", "North", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED, Priority.HIGH,
    9.0, 3.0, "why", origin="back-fill",
)  # fmt: skip


def moment(value):
    """A time of either database, microseconds since 1970."""
    found = datetime.fromisoformat(value) if isinstance(value, str) else value
    return round((found - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1e6)


@pytest.fixture
def known(store):
    writer = write(store, batch([(1, D0 + 123_456, 40.5), (0, D0 + 59_999_999, 7.0)]))
    with writer.transaction() as tx:
        tx.journal([RAISED])
        tx.verdict_changes(
            [VerdictChange("XV-101", D0 + n, word, "") for n, word in ((1, "quiet"), (2, "passing"))]
        )
    return store


def rows(store, view):
    with store.engine().connect() as connection:
        return list(connection.execute(sa.text(f"SELECT * FROM {view}")).mappings())


def test_what_they_show(known):
    samples = sorted(rows(known, "hissmark_samples"), key=lambda r: r["time_us"])
    assert [(r["name"], r["value"], moment(r["time"])) for r in samples] == [
        ("XV-101", 40.5, D0 + 123_456), ("PT-1", 7.0, D0 + 59_999_999)
    ]  # fmt: skip
    (now,) = rows(known, "hissmark_verdicts_now")
    assert (now["verdict"], moment(now["since"])) == ("passing", D0 + 2)
    assert len(rows(known, "hissmark_verdicts")) == 2
    (entry,) = rows(known, "hissmark_journal")
    assert (entry["origin"], entry["group_name"], moment(entry["at"])) == ("back-fill", "North", D0 + 5)
    for view in NAMES:
        rows(known, view)


def test_the_manual_lists_their_columns(known):
    page = (ROOT / "service" / "docs" / "history.md").read_text("utf-8")
    with known.engine().connect() as connection:
        for view in NAMES:
            columns = list(connection.execute(sa.text(f"SELECT * FROM {view}")).keys())
            listed = re.search(rf"\| `{view}` \| (.*?) \|", page)
            assert listed is not None, view
            assert re.findall(r"`(\w+)`", listed[1]) == columns


PAGE = (ROOT / "service" / "docs" / "history.md").read_text("utf-8")


def test_every_column_is_explained(known):
    """Unit and meaning, in the table below that of the views."""
    table = PAGE[PAGE.index("| column | unit | holds |") :]
    explained = set(re.findall(r"`(\w+)`", "".join(re.findall(r"^\| (`.*?) \|", table, re.M))))
    with known.engine().connect() as connection:
        for view in NAMES:
            assert set(connection.execute(sa.text(f"SELECT * FROM {view}")).keys()) <= explained, view


def test_the_queries_of_the_manual(known):
    """They run as they stand there, on either database, and say what is there."""
    writer = known.writer(("AX-101",), kinds={"AX-101": "level"}, shard="another")
    with writer.transaction() as tx:
        tx.samples(batch([(0, D0 + 7, 40.5), (0, D0 + 8, 41.5), (0, D0 + 60_000_000, 39.0)]))
        tx.samples(batch([(0, D0 - 5, 40.0)]))
        tx.journal([replace(RAISED, at_us=D0 + 9, origin="")])
    sealer(known).seal_day(D0 - DAY_US)
    queries = re.findall(r"^```sql\n(.*?)```", PAGE, re.S | re.M)
    with known.engine().connect() as connection:
        found = [[tuple(row)[:3] for row in connection.exec_driver_sql(query)] for query in queries]
    assert found == [
        [("passing", 1)],
        [("XV-101", 1)],  # another one was found in a back-fill
        [(D0, 2, 41.5), (D0 + 60_000_000, 1, 39.0)],
        [(kind, 1, 1) for kind in ("hour", "minute", "samples")],
    ]


FORBIDDEN = (
    "SELECT * FROM samples",
    "SELECT * FROM users",
    "SELECT * FROM sessions",
    "SELECT * FROM tokens",
    "DELETE FROM hissmark_verdicts",
    "CREATE TABLE mine (a int)",
    "UPDATE journal SET comment = ''",
)
REFUSED = (psycopg.errors.InsufficientPrivilege, psycopg.errors.ReadOnlySqlTransaction)


@pytest.mark.postgres
def test_the_role_may_read_views_and_nothing_else(postgres_store):
    write(postgres_store, batch([(1, D0, 40.5)]))
    engine = postgres_store.engine()
    with engine.begin() as connection:
        connection.exec_driver_sql(ROLE)
    try:
        url = engine.url.set(drivername="postgresql", username="hissmark_reader").render_as_string(False)
        with psycopg.connect(url, autocommit=True) as reader:
            assert reader.execute("SELECT value FROM hissmark_samples").fetchall() == [(40.5,)]
            for view in NAMES:
                reader.execute(f"SELECT count(*) FROM {view}")
            for forbidden in FORBIDDEN:
                with pytest.raises(REFUSED):
                    reader.execute(forbidden)
    finally:
        with engine.begin() as connection:
            connection.exec_driver_sql("DROP OWNED BY hissmark_reader; DROP ROLE hissmark_reader")


def test_the_role_is_granted_every_view():
    assert set(re.findall(r"^    (hissmark_\w+),?$", ROLE, re.M)) == set(NAMES)
