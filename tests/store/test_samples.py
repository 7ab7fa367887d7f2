"""Samples: stored once, the first value stays, read back in order and in pages."""

from __future__ import annotations

import threading
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hissmark.decode.columns import Batch, Flag
from hissmark.store import Limits, StoreError
from hissmark.store.records import Extent

T0 = 1_700_000_000_000_000


def batch(*rows: tuple[int, int, float], flags: int = 0) -> Batch:
    """Rows of (series index, seconds after T0, value)."""
    series, seconds, values = zip(*rows, strict=True)
    times = T0 + np.array(seconds, np.int64) * 1_000_000
    return Batch(
        np.array(series, np.int32), times, np.array(values, np.float64), np.full(len(rows), flags, np.uint8)
    )


def stored(store, names=("PT-1", "XV-101", "XV-102", "XV-103")):
    """Everything stored as a list of (name, seconds after T0, value)."""
    found = []
    for page in store.reader().samples_after(names, 0):
        seconds = (page.time_us - T0) // 1_000_000
        found += [(names[s], t, v) for s, t, v in zip(page.series, seconds, page.value, strict=True)]
    return found


def test_counts_only_new_rows(store):
    """Redelivery after a lost ack stores nothing twice and says so."""
    writer = store.writer()
    with writer.transaction() as tx:
        assert tx.samples(batch((0, 0, 1.0), (1, 0, 40.0))) == 2
    with writer.transaction() as tx:
        assert tx.samples(batch((0, 0, 1.0), (1, 0, 40.0), (1, 1, 41.0))) == 1
        assert tx.samples(batch((1, 1, 41.0))) == 0
    assert stored(store) == [("PT-1", 0, 1.0), ("XV-101", 0, 40.0), ("XV-101", 1, 41.0)]


def test_first_value_stays(store):
    """Within a batch, within a transaction and later: the first value for (series, time) stands."""
    writer = store.writer()
    with writer.transaction() as tx:
        assert tx.samples(batch((1, 5, 40.0), (1, 5, 99.0), (1, 3, 39.0))) == 2
        assert tx.samples(batch((1, 3, 98.0))) == 0
    with writer.transaction() as tx:
        assert tx.samples(batch((1, 5, 97.0))) == 0
    assert stored(store) == [("XV-101", 3, 39.0), ("XV-101", 5, 40.0)]


def _store_and_fail(tx):
    assert tx.samples(batch((0, 0, 1.0))) == 1
    raise RuntimeError("midway")


def test_nothing_of_a_failed_transaction_stays(store):
    """One transaction a batch: all of it or nothing, and the same batch can be written again."""
    writer = store.writer()
    with pytest.raises(RuntimeError, match="midway"), writer.transaction() as tx:
        _store_and_fail(tx)
    with writer.transaction() as tx:
        assert tx.samples(batch((0, 0, 1.0))) == 1


def test_refuses_values_that_are_not_finite(store):
    """SQLite would turn NaN into NULL: the decoder has to keep such values out."""
    writer = store.writer()
    for value in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="not finite"), writer.transaction() as tx:
            tx.samples(batch((0, 0, value)))
    assert stored(store) == []


def test_numbers_survive_exactly(store):
    """Values come back bit for bit (but for the sign of zero), flags and odd times too."""
    rng = np.random.default_rng(7)
    values = np.concatenate([rng.normal(size=300) * 10.0 ** rng.integers(-9, 9, 300), [0.1, 1e9, 5e-324]])
    n = len(values)
    sent = Batch(
        np.full(n, 2, np.int32), T0 + np.arange(n) * 997, values, (np.arange(n) % 16).astype(np.uint8)
    )
    with store.writer().transaction() as tx:
        assert tx.samples(sent) == n
    (page,) = store.reader().samples_after(["XV-102"], 0)
    assert page.value.tobytes() == values.tobytes()
    assert page.time_us.tolist() == sent.time_us.tolist()
    assert page.flags.tolist() == sent.flags.tolist()


@pytest.mark.parametrize("rows", [1, 99, 100, 101, 200, 1234])
def test_any_number_of_rows(store, rows):
    """Rows travel many to a statement; what is left over at the end must arrive too."""
    with store.writer().transaction() as tx:
        assert tx.samples(batch(*[(i % 4, i // 4, float(i)) for i in range(rows)])) == rows
    assert store.reader().sample_count() == rows


def test_empty_batch(store):
    with store.writer().transaction() as tx:
        assert tx.samples(Batch.empty()) == 0
    assert store.reader().sample_extent() is None
    assert store.reader().sample_count() == 0


def test_pages_bound_memory_and_miss_nothing(store):
    """Pages smaller than the number of samples at one instant still give every sample once, in order."""
    rows = [(s, t, 10.0 * t + s) for t in range(20) for s in range(4)]
    with store.writer().transaction() as tx:
        tx.samples(batch(*reversed(rows)))
    reader = store.reader()
    names = ("PT-1", "XV-101", "XV-102", "XV-103")
    pages = list(reader.raw(names, T0 + 2_000_000, T0 + 15_000_000, page_rows=3))
    assert max(len(page) for page in pages) <= 3
    values = np.concatenate([page.value for page in pages]).tolist()
    assert values == [v for s, t, v in rows if 2 <= t < 15]


def test_reads_only_the_names_asked_for(store):
    """`Batch.series` indexes the names of the question, whatever their order; unknown ones yield nothing."""
    with store.writer().transaction() as tx:
        tx.samples(batch((0, 0, 1.0), (1, 0, 2.0), (2, 0, 3.0), (3, 0, 4.0)))
    reader = store.reader()
    (page,) = reader.raw(["XV-103", "never heard", "PT-1"], 0, T0 + 1)
    assert sorted(zip(page.series.tolist(), page.value.tolist(), strict=True)) == [(0, 4.0), (2, 1.0)]
    assert list(reader.raw(["never heard"], 0, T0 + 1)) == []
    assert reader.sample_extent() == Extent(T0, T0)


def test_more_names_than_fit_a_condition(store):
    """Past a hundred names the rows are sorted out here instead of in the database."""
    names = tuple(f"XV-{i}" for i in range(150))
    with store.writer(names).transaction() as tx:
        tx.samples(batch(*[(i, 0, float(i)) for i in range(150)]))
    (page,) = store.reader().raw(names[:120], 0, T0 + 1)
    assert sorted(page.value.tolist()) == [float(i) for i in range(120)]


def test_flags_are_kept(store):
    """Late samples are stored and flagged; recovery tells them by the flag."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.samples(batch((1, 0, 40.0), flags=Flag.LATE | Flag.RECEIPT_TIME))
    (page,) = store.reader().samples_after(["XV-101"], 0)
    assert page.flags.tolist() == [Flag.LATE | Flag.RECEIPT_TIME]


def test_names_keep_their_series_over_restarts_and_register_changes(store):
    """A name means the same series for good, wherever it stands in the register."""
    writer = store.writer(("A", "B"), kinds={"A": "level"})
    with writer.transaction() as tx:
        tx.samples(batch((0, 0, 1.0), (1, 0, 2.0)))
    writer.use_names(("C", "B", "A"), {"A": "process"})
    with writer.transaction() as tx:
        tx.samples(batch((0, 1, 30.0), (1, 1, 20.0), (2, 1, 10.0)))
    writer.close()
    assert stored(store, ("A", "B", "C")) == [
        ("A", 0, 1.0), ("B", 0, 2.0), ("A", 1, 10.0), ("B", 1, 20.0), ("C", 1, 30.0),
    ]  # fmt: skip
    assert {row.name: row.kind for row in store.reader().series()} == {"A": "process", "B": "", "C": ""}


def test_duplicates_after_a_long_clean_run(store):
    """Batches without duplicates take a quicker way on PostgreSQL; a duplicate then must do no harm."""
    writer = store.writer()
    for i in range(40):
        with writer.transaction() as tx:
            assert tx.samples(batch((0, i, 1.0), (1, i, 2.0))) == 2
    with writer.transaction() as tx:
        assert tx.samples(batch((0, 100, 3.0))) == 1
        assert tx.samples(batch((0, 39, 99.0), (0, 40, 4.0), (0, 100, 99.0))) == 1
        assert tx.samples(batch((0, 41, 5.0))) == 1
    reader = store.reader()
    assert reader.sample_count() == 83
    (page,) = reader.raw(["PT-1"], T0 + 39_000_000, T0 + 200_000_000)
    assert page.value.tolist() == [1.0, 4.0, 5.0, 3.0]


def test_a_second_writer_is_refused(store):
    """Two services on one store would annunciate everything twice."""
    first = store.writer()
    with pytest.raises(StoreError, match="another `hissmark run`"):
        store.writer()
    first.close()
    with store.writer().transaction() as tx:
        assert tx.samples(batch((0, 0, 1.0))) == 1


def test_readers_see_whole_transactions_while_writing_goes_on(store):
    """A reader beside the writer never waits for it and never sees half a batch."""
    writer, reader = store.writer(), store.reader()
    done, counts = threading.Event(), []

    def read() -> None:
        while not done.is_set():
            counts.append(reader.sample_count())

    thread = threading.Thread(target=read)
    thread.start()
    for i in range(50):
        with writer.transaction() as tx:
            tx.samples(batch(*[(s, 100 * i + t, 1.0) for t in range(25) for s in range(4)]))
    done.set()
    thread.join()
    assert len(counts) > 5
    assert counts == sorted(counts)
    assert all(count % 100 == 0 for count in counts)


def test_an_open_read_does_not_stop_the_writer(store):
    """A page half read keeps its view; the writer commits meanwhile."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.samples(batch(*[(0, t, 1.0) for t in range(10)]))
    pages = store.reader().raw(["PT-1"], 0, T0 + 3600_000_000, page_rows=4)
    first = next(pages)
    with writer.transaction() as tx:
        assert tx.samples(batch(*[(0, t, 2.0) for t in range(10, 12)])) == 2
    assert len(first) + sum(len(page) for page in pages) == 12


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.tuples(st.integers(0, 3), st.integers(0, 9), st.floats(-99, 99)), max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=4),
)
def test_any_batching_stores_the_first_of_each(store, rows, cuts):
    """However arrivals are cut into batches, the stored set is the first value of each (series, time)."""
    store.engine()
    extent = store.reader().sample_extent()  # the store is not emptied between examples: go on behind it
    offset = 0 if extent is None else (extent.last_us - T0) // 10_000_000 + 1
    shifted = [(s, t + 10 * offset, v) for s, t, v in rows]
    edges = sorted({0, len(shifted), *(c for c in cuts if c < len(shifted))})
    with store.writer() as writer:
        for begin, end in pairwise(edges):
            with writer.transaction() as tx:
                tx.samples(batch(*shifted[begin:end]))
    first = {}
    for s, t, v in shifted:
        first.setdefault((t, s), v)
    got = [row for row in stored(store) if row[1] >= 10 * offset]
    names = ("PT-1", "XV-101", "XV-102", "XV-103")
    assert sorted((t, names.index(n), v) for n, t, v in got) == sorted(
        (t, s, v) for (t, s), v in first.items()
    )


@pytest.mark.postgres
@pytest.mark.parametrize("feed", [True, False])
def test_doubles_when_nobody_expects_them(postgres_store, feed):
    """After many batches without any, and again at once: what is new in a batch is stored, the rest stays."""
    writer = postgres_store.writer(limits=Limits(feed=feed))

    def put(first: int, last: int) -> int:
        times = T0 + np.arange(first, last, dtype=np.int64)
        n = len(times)
        with writer.transaction() as tx:
            values, flags = np.full(n, float(first)), np.zeros(n, np.uint8)
            return tx.samples(Batch(np.ones(n, np.int32), times, values, flags))

    for n in range(20):
        assert put(10 * n, 10 * n + 10) == 10
    assert not writer._inserter.wary
    assert put(195, 205) == 5
    assert writer._inserter.wary
    assert put(195, 205) == 0
    assert put(205, 210) == 5
    found = [row.value.tolist() for row in postgres_store.reader().raw(["XV-101"], 0, 1 << 62)]
    assert found == [[10.0 * (n // 10) for n in range(200)] + [195.0] * 5 + [205.0] * 5]
