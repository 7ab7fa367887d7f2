"""Reject log, unknown names, verdict changes, latest readings, settings versions, values of the service."""

from __future__ import annotations

from hissmark.access.audit import Author
from hissmark.decode.columns import Reject, RejectReason, UnknownName
from hissmark.store import Limits
from hissmark.store.archive import holds
from hissmark.store.records import Reading, VerdictChange

T0 = 1_700_000_000_000_000


def rejected(i: int) -> Reject:
    return Reject(f"plant/{i}", T0 + i, RejectReason.NOT_JSON, f"byte {i}", bytes([i % 256, 0, 255]))


def unknown(name: str, at: int, count: int = 1, value: float = 1.5) -> UnknownName:
    return UnknownName(name, "plant/a", T0 + at, T0 + at, count, value)


def test_reject_log_keeps_the_newest(store):
    """Topic, time, reason and first bytes come back; what is older than the limit is gone."""
    writer = store.writer(limits=Limits(rejects=5))
    for i in range(0, 12, 3):
        with writer.transaction() as tx:
            tx.rejects([rejected(i), rejected(i + 1), rejected(i + 2)])
    reader = store.reader()
    rows = reader.rejects()
    assert [row.topic for row in rows] == [f"plant/{i}" for i in (11, 10, 9, 8, 7)]
    assert (rows[0].received_us, rows[0].reason, rows[0].detail) == (T0 + 11, "not-json", "byte 11")
    assert rows[0].head == bytes([11, 0, 255])
    assert [row.seq for row in reader.rejects(before_seq=rows[2].seq, limit=1)] == [rows[3].seq]


def test_a_flood_of_rejects_in_one_batch_is_bounded(store):
    with store.writer(limits=Limits(rejects=5)).transaction() as tx:
        tx.rejects([rejected(i) for i in range(100)])
    assert [row.topic for row in store.reader().rejects()] == [f"plant/{i}" for i in (99, 98, 97, 96, 95)]


def test_text_that_databases_refuse_is_escaped(store):
    """Topics and names come from outside: NUL and broken surrogates must not stop the writer."""
    bad = Reject("a\0b\ud800", T0, RejectReason.BAD_TOPIC, "\0", b"\0")
    with store.writer().transaction() as tx:
        tx.rejects([bad])
        tx.unknown({"x\0": unknown("x\0", 0)})
    assert store.reader().rejects()[0].topic == "a\\0b\\ud800"
    assert store.reader().unknown_names()[0].name == "x\\0"


def test_unknown_names_add_up(store):
    """One row a name, with first and last time, how often, and the last value."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.unknown({"XV-9": unknown("XV-9", 10, 3)})
    with writer.transaction() as tx:
        tx.unknown({"XV-9": unknown("XV-9", 50, 4, 7.25), "PT-9": unknown("PT-9", 60)})
    rows = store.reader().unknown_names()
    assert [row.name for row in rows] == ["PT-9", "XV-9"]
    assert rows[1] == UnknownName("XV-9", "plant/a", T0 + 10, T0 + 50, 7, 7.25)
    assert [row.name for row in store.reader().unknown_names(after_name="PT-9")] == ["XV-9"]


def test_unknown_names_are_bounded(store):
    """Somebody may publish a new name with every message; those heard longest ago go."""
    writer = store.writer(limits=Limits(unknown_names=4))
    for start in (0, 5, 10):
        with writer.transaction() as tx:
            tx.unknown({f"n{i:02}": unknown(f"n{i:02}", i) for i in range(start, start + 5)})
    assert [row.name for row in store.reader().unknown_names()] == ["n11", "n12", "n13", "n14"]


def change(valve: str, at: int, verdict: str = "quiet") -> VerdictChange:
    return VerdictChange(valve, T0 + at, verdict, "at background", None, 0.5, None, 22.0, 21.5)


def test_verdict_changes_first_stands(store):
    """A change on record for (valve, time) stays; pages, filters and the verdict of a past moment."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.verdict_changes([change("XV-1", 0), change("XV-2", 0), change("XV-1", 60, "passing")])
    with writer.transaction() as tx:
        tx.verdict_changes([change("XV-1", 60, "spill"), change("XV-1", 120)])
    reader = store.reader()
    rows = reader.verdict_changes(valve="XV-1")
    assert [row.change for row in rows] == [
        change("XV-1", 0), change("XV-1", 60, "passing"), change("XV-1", 120)
    ]  # fmt: skip
    assert [r.change.valve for r in reader.verdict_changes(to_us=T0 + 1)] == ["XV-1", "XV-2"]
    assert [r.change.at_us for r in reader.verdict_changes(from_us=T0 + 60)] == [T0 + 60, T0 + 120]
    newest = reader.verdict_changes(before_seq=10**9, limit=1)
    assert newest[0].change == change("XV-1", 120)
    assert reader.verdict_changes(after_seq=newest[0].seq) == []
    at = reader.verdict_at("XV-1", T0 + 119)
    assert at is not None
    assert at.verdict == "passing"
    assert reader.verdict_at("XV-1", T0 - 1) is None


def test_verdict_changes_are_bounded(store):
    writer = store.writer(limits=Limits(verdict_changes=10))
    for i in range(40):
        with writer.transaction() as tx:
            tx.verdict_changes([change("XV-1", i)])
    rows = store.reader().verdict_changes()
    assert [row.change.at_us for row in rows] == [T0 + i for i in range(30, 40)]


def test_verdict_changes_that_are_held_stay(store):
    """Of the valve and time of a hold, until it is released."""
    writer, mia = store.writer(limits=Limits(verdict_changes=10)), Author("mia", "command line")
    with store.engine().begin() as connection:
        held = holds.place(connection, "XV-1", T0 + 3, T0 + 6, "dispute", mia, T0)

    def left(begin, end):
        for i in range(begin, end):
            with writer.transaction() as tx:
                tx.verdict_changes([change("XV-1", i), change("XV-2", i)])
        return [(row.change.valve, row.change.at_us - T0) for row in store.reader().verdict_changes()]

    newest = [(valve, i) for i in range(15, 20) for valve in ("XV-1", "XV-2")]
    assert left(0, 20) == [("XV-1", 3), ("XV-1", 4), ("XV-1", 5), *newest]
    with store.engine().begin() as connection:
        assert holds.release(connection, held, mia, T0)
    assert left(20, 21) == [*newest[2:], ("XV-1", 20), ("XV-2", 20)]


def test_unknown_levels_are_null(store):
    nan = float("nan")
    with store.writer().transaction() as tx:
        tx.verdict_changes([VerdictChange("XV-1", T0, "not testable", "open", None, nan, nan, nan, nan)])
    (row,) = store.reader().verdict_changes()
    assert (row.change.rise_db, row.change.margin_db, row.change.level_db) == (None, None, None)


def test_readings_keep_the_latest(store):
    writer = store.writer()
    with writer.transaction() as tx:
        tx.readings([Reading("a", T0, '{"x": 1}'), Reading("b", T0, "{}")])
    with writer.transaction() as tx:
        tx.readings([Reading("a", T0 + 60, '{"x": "ü"}')])
    reader = store.reader()
    assert reader.readings() == [Reading("a", T0 + 60, '{"x": "ü"}'), Reading("b", T0, "{}")]
    assert reader.readings("b") == [Reading("b", T0, "{}")]


def test_engine_state_is_saved_with_its_data(store):
    """A failed transaction leaves the state that belongs to the data on record."""
    writer = store.writer(now_us=lambda: T0)
    assert store.reader().engine_state() is None
    with writer.transaction() as tx:
        tx.engine_state(b"\0one", version=3)
    try:
        with writer.transaction() as tx:
            tx.engine_state(b"two")
            raise TimeoutError
    except TimeoutError:
        pass
    state = store.reader().engine_state()
    assert state is not None
    assert (state.payload, state.version, state.saved_us) == (b"\0one", 3, T0)


def test_settings_versions_are_recorded_when_they_change(store):
    """An answer can be explained later only with the settings that gave it."""
    writer = store.writer(now_us=lambda: T0)
    ids = []
    for payload in ("{}", "{}", '{"a": 1}', "{}"):
        with writer.transaction() as tx:
            ids.append(tx.settings_version(payload))
    assert ids[0] == ids[1]
    assert len(set(ids)) == 3
    rows = store.reader().settings_versions()
    assert [row.payload for row in rows] == ["{}", '{"a": 1}', "{}"]
    assert [r.id for r in store.reader().settings_versions(before_id=rows[0].id)] == [r.id for r in rows[1:]]


def test_meta(store):
    writer = store.writer()
    for value in ("1", "2"):
        with writer.transaction() as tx:
            tx.meta("generation", value)
    assert store.reader().meta("generation") == "2"
    assert store.reader().meta("other") is None


def test_size_is_told(store):
    """Bytes on disk, and how far the write-ahead log has grown."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.engine_state(bytes(range(256)) * 4096)
    size = store.reader().size()
    assert size.database_bytes + size.wal_bytes > 900_000 or store.kind == "postgresql"
    assert size.database_bytes > 0
    assert (size.wal_bytes > 0) == (store.kind == "sqlite")
