"""Old samples go in small transactions; what is on record stays; the log is emptied."""

from __future__ import annotations

import numpy as np
import sqlalchemy as sa

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.decode.columns import Batch
from hissmark.store import retention
from hissmark.store.actions import record_action
from hissmark.store.records import StoredBlock

T0 = 1_700_000_000_000_000


def write(store, instants: int, series: int = 4):
    n = instants * series
    batch = Batch(
        np.tile(np.arange(series, dtype=np.int32), instants),
        T0 + np.repeat(np.arange(instants, dtype=np.int64), series),
        np.ones(n),
        np.zeros(n, np.uint8),
    )
    writer = store.writer()
    with writer.transaction() as tx:
        tx.samples(batch)
    return writer


def test_deletes_what_is_older_and_nothing_else(store):
    """In bites of few rows, each a transaction of its own, beside an open writer."""
    write(store, 100)
    engine, commits = store.engine(), []
    sa.event.listen(engine, "commit", lambda _: commits.append(1))
    assert retention.delete_samples_before(engine, T0 + 70, rows_a_bite=30) == 280
    extent = store.reader().sample_extent()
    assert extent is not None
    assert (extent.first_us, extent.last_us) == (T0 + 70, T0 + 99)
    assert store.reader().sample_count() == 120
    assert len(commits) >= 8
    assert retention.delete_samples_before(engine, T0 + 70) == 0


def test_the_work_of_one_run_is_bounded(store):
    write(store, 100)
    gone = retention.delete_samples_before(store.engine(), T0 + 100, rows_a_bite=10, most_bites=3)
    assert gone == 36  # bites of 10 rows, filled up to whole instants of 4
    assert store.reader().sample_count() == 364


def test_history_is_deleted_apart(store):
    writer = write(store, 1)
    with writer.transaction() as tx:
        tx.blocks([StoredBlock("g", start, 1, b"x") for start in (10, 20, 30)])
    record_action(store.engine(), ActionRequest(ActionKind.UNSHELVE, "XV-1", AlarmKind.PASSING, "mia"), T0)
    assert retention.delete_history_before(store.engine(), 30) == 2
    assert [b.start_us for b in store.reader().blocks("g", 0, 100)] == [30]
    assert len(store.reader().actions()) == 1


def test_checkpoint_empties_the_log(store):
    """After it the log takes no space; a reader in the middle of a page keeps it from being complete."""
    write(store, 500)
    done = retention.checkpoint(store.engine())
    assert done.complete
    assert store.reader().size().wal_bytes == 0
    assert store.reader().sample_count() == 2000


def test_optimize(store):
    write(store, 10)
    retention.optimize(store.engine())
