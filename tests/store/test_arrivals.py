"""Following what arrives: each new sample once, in order, whatever is delivered again."""

from __future__ import annotations

import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hissmark.store import arrivals
from hissmark.store.arrivals import GoneError
from support.sealing import D0, NAMES, batch, days, everything, write


def followed(store, after=0, most=50):
    """Everything after a position, in the pages that a follower reads; and the last position."""
    found, reader = [], store.reader()
    while page := reader.arrivals(after, most):
        for arrival in page:
            c = arrival.columns
            assert arrival.seq > after
            after = arrival.seq
            names = [NAMES[i - 1] for i in c.series_id.tolist()]
            found += zip(names, c.time_us.tolist(), c.value.tolist(), c.flags.tolist(), strict=True)
    return found, after


def test_each_once_to_the_bit(store):
    """Over several transactions, with doubles within and between them."""
    first = days(1, 100)
    writer = write(store, first, first, batch([(1, D0 + 1, 3.5), (1, D0 + 1, 9.9)], flags=1))
    found, _ = followed(store)
    assert sorted(found) == sorted(everything(store))
    assert len(found) == len(set(found)) == 401
    _, position = followed(store)
    with writer.transaction() as tx:
        tx.samples(batch([(1, D0 + 1, 3.5), (2, D0 + 2, 4.5)]))
    assert followed(store, position)[0] == [("XV-102", D0 + 2, 4.5, 0)]


def store_and_fail(tx):
    tx.samples(batch([(1, D0, 3.5)]))
    raise RuntimeError("midway")


def test_nothing_of_a_failed_transaction(store):
    writer = write(store)
    with pytest.raises(RuntimeError, match="midway"), writer.transaction() as tx:
        store_and_fail(tx)
    assert followed(store) == ([], 0)


@pytest.mark.parametrize("nearby", [0, 1000])
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    deliveries=st.lists(
        st.lists(st.tuples(st.integers(0, 3), st.integers(0, 9), st.integers(0, 2)), max_size=8), max_size=8
    )
)
def test_any_deliveries(tmp_path_factory, monkeypatch, nearby, deliveries):
    """Whether what is stored nearby is looked at or too much for it."""
    from support.stores import Store

    monkeypatch.setattr(arrivals, "_NEARBY", nearby)
    store = Store("sqlite:///data/hissmark.db", tmp_path_factory.mktemp("any"))
    writer, position, heard = write(store), 0, []
    for rows in deliveries:
        with writer.transaction() as tx:
            tx.samples(batch([(s, D0 + t, float(v)) for s, t, v in rows]))
        new, position = followed(store, position, most=3)
        heard += new
    assert sorted(heard) == sorted(everything(store))
    store.close()


def test_what_is_kept_no_more_is_said(store):
    """Who was away too long is told where to go on; who begins anew gets what there is."""
    clock = iter(range(1, 1000))
    writer = store.writer(NAMES, now_us=lambda: next(clock))
    for n in range(6):
        with writer.transaction() as tx:
            tx.samples(batch([(1, D0 + n, 3.5)]))
    (_, *rest) = store.reader().arrivals(0, 1)
    assert rest == []
    at = [a.at_us for a in store.reader().arrivals(0, 1000)]
    assert arrivals.forget(store.engine(), at[3]) == 3
    with pytest.raises(GoneError, match="go on from position 3"):
        store.reader().arrivals(2, 10)
    assert [a.seq for a in store.reader().arrivals(3, 10)] == [4, 5, 6]
    assert [a.seq for a in store.reader().arrivals(0, 10)] == [4, 5, 6]
    assert arrivals.forget(store.engine(), 10_000) == 3
    assert store.reader().newest_arrival() == 6


def test_two_writers_become_visible_in_the_order_of_their_numbers(postgres_store):
    """A follower that reads while two processes write never passes over a number that shows up later."""
    from hissmark.store.append import append
    from hissmark.store.rows import Columns

    writer = write(postgres_store)
    engine = postgres_store.engine()
    done, seen = threading.Event(), []

    def follow():
        position = 0
        while not done.is_set() or postgres_store.reader().arrivals(position, 10):
            for arrival in postgres_store.reader().arrivals(position, 10):
                seen.append(arrival.seq)
                position = arrival.seq

    follower = threading.Thread(target=follow)
    follower.start()

    def beside():
        for n in range(30):
            b = batch([(2, D0 + 1000 + n, 1.0)])
            append(engine, Columns(b.time_us, b.series + 1, b.value, b.flags), [], 1)

    other = threading.Thread(target=beside)
    other.start()
    for n in range(30):
        with writer.transaction() as tx:
            tx.samples(batch([(1, D0 + n, 3.5)]))
    other.join()
    done.set()
    follower.join()
    assert len(seen) == len(set(seen)) == 60
    assert seen == sorted(seen)
