"""What is too old goes, each kind after its own time; what is held stays; every deletion is on record."""

from __future__ import annotations

from pathlib import Path

import pytest

from hissmark.access.audit import AuditEvent, Author, read
from hissmark.store.archive import holds
from hissmark.store.archive.catalogue import DAY_US, Kind
from hissmark.store.archive.forget import Forgetting, Kept
from support.sealing import D0, NAMES, batch, days, everything, in_database, sealer, write

MIA = Author("mia", "command line")
VALVES = {name: frozenset([name]) for name in NAMES}


def forget(store, kept, now_us, place=None):
    return Forgetting(store.engine(), place or store.archive, kept, VALVES).forget(now_us)


def audited(store):
    with store.engine().connect() as connection:
        return [row.detail for row in read(connection, None, 100) if row.event == AuditEvent.DELETED]


def hold(store, valve, from_us, to_us):
    with store.engine().begin() as connection:
        return holds.place(connection, valve, from_us, to_us, "dispute", MIA, D0)


def days_left(store):
    return {(row[1] - D0) // DAY_US for row in everything(store)}


def hours_on_file(store):
    return sum(len(part) for part in store.reader().rollups(NAMES, Kind.HOUR, 0, 1 << 62))


def test_each_kind_after_its_own_time(store):
    """Samples go, their sums stay; of samples that were never filed the late ones go too."""
    writer = write(store, days(4, 20))
    sealer(store).seal_before(D0 + 4 * DAY_US)
    hours = hours_on_file(store)
    with writer.transaction() as tx:
        tx.samples(batch([(1, D0 + 5, 40.0)]))
    gone = forget(store, Kept(samples=3), D0 + 5 * DAY_US)
    assert (gone.files, gone.samples) == (6, 1)
    assert days_left(store) == {2, 3}
    assert hours_on_file(store) == hours
    assert len(audited(store)) == 7
    assert len(list(Path(store.folder / "archive" / "samples").rglob("*.parquet"))) == 6
    assert forget(store, Kept(minute=1), D0 + 5 * DAY_US).files == 12
    assert forget(store, Kept(samples=3), D0 + 5 * DAY_US).files == 0


def test_nothing_goes_unless_asked(store):
    write(store, days(2, 5))
    sealer(store).seal_before(D0 + DAY_US)
    assert forget(store, Kept(), D0 + 9999 * DAY_US) == forget(store, Kept(), D0)
    assert len(everything(store)) == 40


@pytest.mark.parametrize("sealed", [True, False])
def test_what_is_held_stays_until_it_is_released(store, sealed):
    """A valve over a day; everything over another. The rest goes."""
    write(store, days(5, 10))
    if sealed:
        sealer(store).seal_before(D0 + 5 * DAY_US)
    first = hold(store, "XV-103", D0 + DAY_US, D0 + 2 * DAY_US)
    hold(store, None, D0 + 3 * DAY_US, D0 + 4 * DAY_US)
    forget(store, Kept(samples=1), D0 + 6 * DAY_US)
    left = {}
    for name, time_us, _, _ in everything(store):
        left.setdefault((time_us - D0) // DAY_US, set()).add(name)
    assert left == {1: {"XV-103"}, 3: set(NAMES)}
    with store.engine().begin() as connection:
        assert holds.release(connection, first, MIA, D0)
        assert not holds.release(connection, first, MIA, D0)
    forget(store, Kept(samples=1), D0 + 6 * DAY_US)
    assert days_left(store) == {3}


def test_a_hold_on_a_valve_that_is_not_in_the_register_holds_all(store):
    """Rather too much than what was meant to be kept."""
    write(store, days(1, 5))
    hold(store, "XV-999", D0, D0 + DAY_US)
    forget(store, Kept(samples=1), D0 + 6 * DAY_US)
    assert in_database(store) == 20


def test_deleting_that_is_cut_short_is_finished(store):
    """The file is off the record before it goes: no reader trips over it, and the next run ends it."""
    write(store, days(1, 5))
    sealer(store).seal_before(D0 + DAY_US)

    class Broken(type(store.archive)):
        def delete(self, path):
            raise OSError("the disk went away")

    with pytest.raises(OSError, match="went away"):
        forget(store, Kept(samples=1), D0 + 6 * DAY_US, Broken(store.archive.root))
    assert len(everything(store)) < 20
    assert forget(store, Kept(samples=1), D0 + 6 * DAY_US).files == 3
    assert list(Path(store.folder / "archive" / "samples").rglob("*.parquet")) == []
    assert everything(store) == []
