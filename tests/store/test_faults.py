"""Kill, full disk, lost server, lock held by another: nothing committed is lost, nothing is stored twice."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.decode.columns import Batch
from hissmark.store import StoreError, Writer, open_for_reading, open_store, vigil
from hissmark.store.reader import Reader
from support.postgres import Postgres
from support.relay import Relay

T0 = 1_700_000_000_000_000
ROWS = 200


def numbered_batch(number: int, rows: int = ROWS) -> Batch:
    """A batch whose content follows from its number."""
    return Batch(
        np.arange(rows, dtype=np.int32) % 4,
        T0 + number * 1_000_000 + np.arange(rows, dtype=np.int64) // 4,
        np.full(rows, float(number)),
        np.zeros(rows, np.uint8),
    )


def entry(number: int) -> JournalEntry:
    return JournalEntry(
        T0 + number, "XV-1", "g", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED,
        Priority.LOW, 8.0, 4.0, "best fit of the group",
    )  # fmt: skip


_CHILD = """
import sys
sys.path[:0] = {path!r}
from pathlib import Path
from test_faults import entry, numbered_batch
from hissmark.store import Writer, open_store
from hissmark.store.reader import Reader
url, folder = sys.argv[1], Path(sys.argv[2])
engine = open_store(url, folder)
writer = Writer(engine, ["a", "b", "c", "d"])
state = Reader(engine).engine_state()
number = int(state.payload) + 1 if state else 0
print("ready", flush=True)
while True:
    with writer.transaction() as tx:
        # As after a lost ack: the batch before comes again.
        tx.samples(numbered_batch(max(0, number - 1)))
        tx.samples(numbered_batch(number))
        tx.journal([entry(max(0, number - 1)), entry(number)])
        tx.engine_state(str(number).encode())
    print(number, flush=True)
    number += 1
"""


def run_and_kill(store, rng: random.Random) -> int:
    """Let a writing process run for a random while, kill it; returns the last batch it said was committed."""
    code = _CHILD.format(path=[str(Path(__file__).parent), *sys.path])
    process = subprocess.Popen(
        [sys.executable, "-c", code, store.url, str(store.folder)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    time.sleep(rng.uniform(0.0, 0.25))
    process.send_signal(signal.SIGKILL)
    said = process.stdout.read().split("\n")
    process.wait()
    process.stdout.close()
    return max((int(line) for line in said[:-1]), default=-1)


def test_kill_at_any_moment_loses_nothing_committed(store):
    """SIGKILL between and inside transactions: samples, journal and state stay together, batch by batch."""
    rng, committed = random.Random(11), -1
    for _ in range(6):
        committed = max(committed, run_and_kill(store, rng))
        store.engine().dispose()
        reader = store.reader()
        state = reader.engine_state()
        last = int(state.payload) if state else -1
        assert last >= committed
        assert [row.entry for row in reader.journal(limit=10**6)] == [entry(i) for i in range(last + 1)]
        values = [v for page in reader.raw(["a", "b", "c", "d"], 0, 2 * T0) for v in page.value.tolist()]
        assert values == [float(i) for i in range(last + 1) for _ in range(ROWS)]
        reader.close()
    assert committed > 10


# --- full disk ---


@pytest.fixture
def small_disk():
    """A disk of 24 MB of its own. Needs root and the right to mount."""
    folder = Path("/tmp") / f"hm-disk-{os.getpid()}"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=24m,mode=777", "tmpfs", str(folder)]
    if subprocess.run(command, capture_output=True).returncode:
        folder.rmdir()
        pytest.skip("may not mount a small disk here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)
    folder.rmdir()


def fill(folder: Path) -> Path:
    """A file that takes what is left of the disk but a little."""
    filler = folder / "filler"
    with filler.open("wb") as file:
        left = os.statvfs(folder)
        file.write(bytes(left.f_bavail * left.f_frsize - 300_000))
    return filler


def write_until_full(writer: Writer) -> tuple[int, StoreError]:
    """Write numbered batches; returns the number of the one that failed, and how."""
    for number in range(200):
        try:
            with writer.transaction() as tx:
                tx.journal([entry(number)])
                tx.samples(numbered_batch(number, 4000))
        except StoreError as error:
            return number, error
    raise AssertionError("the disk never got full")


def check_recovery(writer: Writer, reader: Reader, failed: int) -> None:
    """The same transaction again: works, and everything is there once."""
    with writer.transaction() as tx:
        assert [row.seq for row in tx.journal([entry(failed)])] == [failed + 1]
        assert tx.samples(numbered_batch(failed, 4000)) == 4000
    assert reader.sample_count() == 4000 * (failed + 1)
    assert [row.entry for row in reader.journal(limit=1000)] == [entry(i) for i in range(failed + 1)]


def test_full_disk_sqlite(small_disk):
    """Full: told, retryable, readable meanwhile. Space again: the same transaction goes through."""
    url = "sqlite:///data/hissmark.db"
    engine = open_store(url, small_disk)
    with Writer(engine, ["a", "b", "c", "d"]) as writer:
        filler = fill(small_disk)
        failed, error = write_until_full(writer)
        assert "the disk is full. Free space on it" in str(error)
        assert error.retry
        with pytest.raises(StoreError, match="the disk is full"):
            check_recovery(writer, Reader(engine), failed)
        filler.unlink()
        reader = Reader(open_for_reading(url, small_disk))
        check_recovery(writer, reader, failed)
        reader.close()
    engine.dispose()


@pytest.mark.postgres
def test_full_disk_postgres(small_disk, postgres, tmp_path):
    """The same with the server's disk."""
    postgres.execute(f"CREATE TABLESPACE small LOCATION '{_owned(small_disk / 'space')}'")
    postgres.execute("CREATE DATABASE small TABLESPACE small")
    engine = open_store(postgres.url("small"), tmp_path)
    try:
        with Writer(engine, ["a", "b", "c", "d"]) as writer:
            filler = fill(small_disk)
            failed, error = write_until_full(writer)
            assert "the database server's disk is full" in str(error)
            assert error.retry
            filler.unlink()
            check_recovery(writer, Reader(engine), failed)
    finally:
        engine.dispose()
        postgres.drop_database("small")
        postgres.execute("DROP TABLESPACE small")


def _owned(folder: Path) -> Path:
    folder.mkdir()
    if os.geteuid() == 0:
        subprocess.run(["chown", "postgres", str(folder)], check=True)
    return folder


def test_no_more_pages_sqlite(sqlite_store):
    """The same seam without a mount: the database may not grow. Works for every user."""
    engine, pages = sqlite_store.engine(), [400]
    engine.dispose()

    @sa.event.listens_for(engine, "connect")
    def _limit(connection: sqlite3.Connection, _: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {pages[0]}")

    with Writer(engine, ["a", "b", "c", "d"]) as writer:
        failed, error = write_until_full(writer)
    assert "the disk is full" in str(error)
    assert error.retry
    pages[0] = 1_000_000
    engine.dispose()
    with Writer(engine, ["a", "b", "c", "d"]) as writer:
        check_recovery(writer, sqlite_store.reader(), failed)


# --- others in the way ---


@pytest.mark.postgres
def test_server_away_and_back(tmp_path):
    """The server crashes and restarts: told, retryable; the writer finds it again by itself."""
    with Postgres(durable=True) as server:
        engine = open_store(server.url("postgres"), tmp_path)
        with Writer(engine, ["a", "b", "c", "d"]) as writer:
            with writer.transaction() as tx:
                tx.samples(numbered_batch(0))
            server.stop(signal.SIGQUIT)
            for _ in range(2):
                with pytest.raises(StoreError) as caught:
                    _write(writer, 1)
                assert caught.value.retry, caught.value
            server.start()
            _write(writer, 1)
            assert Reader(engine).sample_count() == 2 * ROWS
            with pytest.raises(StoreError, match="another `hissmark run`"):
                Writer(engine, ["a"])
        engine.dispose()


@pytest.mark.postgres
def test_session_lost_inside_a_transaction(postgres_store, postgres):
    """An administrator ends the session in the middle: nothing of it stays, the retry works."""
    writer = postgres_store.writer()
    with pytest.raises(StoreError) as caught:
        _write(writer, 0, before_commit=lambda: _end_sessions(postgres))
    assert caught.value.retry, caught.value
    _write(writer, 0)
    assert postgres_store.reader().sample_count() == ROWS


def _end_sessions(postgres: Postgres) -> None:
    postgres.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'hissmark'"
    )


def _write(writer: Writer, number: int, before_commit=lambda: None) -> None:
    with writer.transaction() as tx:
        tx.samples(numbered_batch(number))
        before_commit()


def test_lock_held_by_another_program(sqlite_store, monkeypatch):
    """Somebody's database browser holds the write lock: told, retryable; goes on once it lets go."""
    monkeypatch.setattr("hissmark.store.open.BUSY_TIMEOUT_S", 0.1)
    writer = sqlite_store.writer()
    other = sqlite3.connect(sqlite_store.folder / "data/hissmark.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="another program keeps the database locked") as caught:
        _write(writer, 0)
    assert caught.value.retry
    other.execute("ROLLBACK")
    other.close()
    _write(writer, 0)
    assert sqlite_store.reader().sample_count() == ROWS


@pytest.mark.postgres
def test_our_own_former_session_is_ended_and_nobody_elses(postgres_url: str, tmp_path: Path) -> None:
    """The network swallowed its end: to the server it still holds the lock."""
    engine = open_store(postgres_url, tmp_path)
    writer = Writer(engine, ["a", "b", "c", "d"])
    former, writer._connection = writer._connection, None
    assert former is not None
    with writer.transaction() as tx:
        assert tx.samples(numbered_batch(1)) == ROWS
    with pytest.raises(sa.exc.DBAPIError), former.begin():
        former.execute(sa.select(1))
    with pytest.raises(StoreError, match="another `hissmark run` is writing to this store"):
        Writer(engine, ["a"])
    with writer.transaction() as tx:
        assert tx.samples(numbered_batch(2)) == ROWS
    writer.close()
    former.close()
    engine.dispose()


@pytest.mark.postgres
def test_a_server_that_answers_nobody_is_given_up(
    postgres: Postgres, postgres_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What waits for an answer gets an error that is worth a second try, and that succeeds afterwards."""
    monkeypatch.setattr(vigil, "EVERY_S", 0.1)
    monkeypatch.setattr("hissmark.store.open.CONNECT_S", 2)
    with Relay((postgres.host, postgres.port)) as relay:
        engine = open_store(postgres_url.replace(f":{postgres.port}/", f":{relay.port}/"), tmp_path)
        writer = Writer(engine, ["a", "b", "c", "d"])
        relay.fall_silent()
        with pytest.raises(StoreError) as told, writer.transaction() as tx:
            tx.samples(numbered_batch(1))
        assert told.value.retry
        relay.speak()
        with writer.transaction() as tx:
            assert tx.samples(numbered_batch(1)) == ROWS
        writer.close()
        engine.dispose()
