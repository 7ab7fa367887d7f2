"""Blocks of ticks: exact round trip, merging by time, damage told, history per channel."""

from __future__ import annotations

import dataclasses
import struct
import zlib

import msgspec
import numpy as np
import pyarrow as pa
import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Channel, Register
from hissmark.engine.settings import CoreSettings
from hissmark.store.block_bytes import DamagedBlockError, decode, encode
from hissmark.store.blocks import (
    CODES,
    HOUR_US,
    LEVELS,
    MORE,
    NEXT_SOURCE,
    OF_GROUP,
    SECOND,
    SOURCE,
    UNKNOWN_CODE,
    Block,
    by_hour,
    merge,
)
from hissmark.store.records import StoredBlock
from hissmark.store.schema import tick_blocks
from hissmark.store.ticked import of_tick
from support.blocks import MINUTE_US, make

EVERY = (*LEVELS, *CODES, *MORE, *OF_GROUP)
HOUR0 = 1_700_000_000_000_000 // HOUR_US * HOUR_US


def same(a: Block, b: Block) -> bool:
    """Bit for bit, NaN included."""
    return (
        a.channels == b.channels
        and a.time_us.tolist() == b.time_us.tolist()
        and all(a.column(n).tobytes() == b.column(n).tobytes() for n in EVERY)
        and all(a.column(n).dtype == b.column(n).dtype for n in EVERY)
    )


names = st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), unique=True, max_size=6)
times = st.lists(st.integers(0, 2**53), unique=True, max_size=70).map(sorted)


@settings(deadline=None)
@given(times=times, channels=names, seed=st.integers(0, 1000))
def test_round_trip(times, channels, seed):
    """What is decoded is what was encoded."""
    block = make(times, channels, seed)
    assert same(decode(encode(block)), block)


@settings(deadline=None)
@given(
    first=st.lists(st.integers(0, 20), unique=True).map(sorted),
    second=st.lists(st.integers(0, 20), unique=True).map(sorted),
    old=names,
    new=names,
)
def test_merge_against_a_plain_dictionary(first, second, old, new):
    """Merged column by column as a dictionary keyed (time, channel) would; the first block stands."""
    a, b = make(first, old, 1), make(second, new, 2)
    merged = merge(a, b)
    for name, empty in (("level_db", np.nan), ("verdict", UNKNOWN_CODE)):
        expected = {}
        for part in (b, a):
            for i, t in enumerate(part.time_us.tolist()):
                for j, channel in enumerate(part.channels):
                    expected[t, channel] = part.column(name)[i, j]
        for i, t in enumerate(merged.time_us.tolist()):
            for j, channel in enumerate(merged.channels):
                np.testing.assert_equal(merged.column(name)[i, j], expected.get((t, channel), empty))
    assert merged.time_us.tolist() == sorted(set(first) | set(second))
    odds = dict(zip(second, b.column("odds").tolist(), strict=True))
    odds |= dict(zip(first, a.column("odds").tolist(), strict=True))
    assert merged.column("odds").tolist() == [odds[t] for t in merged.time_us.tolist()]
    assert set(merged.channels) == set(old) | set(new)


def test_any_damage_is_noticed():
    """A flipped bit anywhere, a lost end, something else altogether: never wrong numbers."""
    payload = encode(make(range(30), ["a", "b"]))
    for at in range(len(payload)):
        broken = bytearray(payload)
        broken[at] ^= 1 << (at % 8)
        with pytest.raises(DamagedBlockError):
            decode(bytes(broken))
    for broken in (b"", payload[:-1], payload[:11], payload + b"x", b"PAR1" + payload):
        with pytest.raises(DamagedBlockError):
            decode(broken)


def by_hand(columns: list[tuple[str, str]], body: bytes, magic: bytes = b"HMB1") -> bytes:
    """A block of the first version, or the second, with two ticks of one channel."""
    head = msgspec.json.encode({"channels": ["a"], "ticks": 2, "columns": columns})
    raw = struct.pack("<I", len(head)) + head + np.array([1, 2], "<i8").tobytes() + body
    rest = struct.pack("<I", len(raw)) + pa.Codec("zstd").compress(raw, asbytes=True)
    return magic + struct.pack("<I", zlib.crc32(rest)) + rest


def test_blocks_of_the_first_version_are_read():
    """Rises stood there in full."""
    numbers = np.array([[30.0, 31.0], [20.0, 20.5], [9.0, 10.5]], "<f4")
    planes = b"".join(row.view(np.uint8).reshape(2, 4).T.tobytes() for row in numbers)
    block = decode(by_hand([("level_db", "<f4"), ("baseline_db", "<f4"), ("rise_db", "<f4")], planes))
    assert block.rise_db.tolist() == [[9.0], [10.5]]
    assert same(decode(encode(block)), block)


def test_blocks_of_the_second_version_are_read():
    """Levels stood there in full, of rises the bits in which they differ from the difference."""
    numbers = np.array([[30.0, 31.25], [20.0, 20.5], [0.0, 0.0]], "<f4")
    numbers.view("<u4")[2, 1] = np.float32(10.75).view("<u4") ^ np.float32(9.0).view("<u4")
    planes = b"".join(row.view(np.uint8).reshape(2, 4).T.tobytes() for row in numbers)
    listed = [("level_db", "<f4"), ("baseline_db", "<f4"), ("rise_db", "<f4")]
    block = decode(by_hand(listed, planes, b"HMB2"))
    assert block.level_db.tolist() == [[30.0], [31.25]]
    assert block.rise_db.tolist() == [[10.0], [9.0]]
    assert same(decode(encode(block)), block)


def test_a_column_that_never_changes_takes_no_room():
    block = make(range(60), [f"XV-{n}" for n in range(20)])
    whole = len(encode(block))
    for name, value in (("expected_db", np.nan), ("baseline_db", -0.0)):
        same_ = np.full_like(block.column(name), value)
        plain = dataclasses.replace(block, rise_db=block.level_db, **{name: same_})
        assert same(decode(encode(plain)), plain)
        assert len(encode(plain)) < whole - 2 * same_.size


def test_a_rise_that_is_the_difference_takes_no_room():
    """As it is but where noise from outside is taken off."""
    block = make(range(60), [f"XV-{n}" for n in range(20)])
    plain = dataclasses.replace(block, rise_db=block.level_db - block.baseline_db)
    other = dataclasses.replace(block, rise_db=block.level_db[::-1] - block.baseline_db)
    assert len(encode(plain)) < len(encode(other)) - 2 * block.rise_db.size


def test_columns_unknown_to_this_version_are_left_out():
    """A later version may add columns; the ones known here are still read, missing ones are unknown."""
    block = decode(by_hand([("new", "<f8"), ("verdict", "u1")], bytes(16) + bytes([3, 4])))
    assert block.verdict.tolist() == [[3], [4]]
    assert np.isnan(block.level_db).all()
    assert block.column("role").tolist() == [[UNKNOWN_CODE], [UNKNOWN_CODE]]
    assert block.column("explanation").tolist() == [UNKNOWN_CODE, UNKNOWN_CODE]
    assert block.column("age_s").tolist() == [[65535], [65535]]


def test_by_hour_cuts_at_full_hours():
    block = make([HOUR0 - 1, HOUR0, HOUR0 + HOUR_US - 1, HOUR0 + 5 * HOUR_US], ["a"])
    parts = list(by_hour(block))
    assert [(start, len(part)) for start, part in parts] == [
        (HOUR0 - HOUR_US, 1), (HOUR0, 2), (HOUR0 + 5 * HOUR_US, 1)
    ]  # fmt: skip
    assert list(by_hour(make([], ["a"]))) == []


def test_an_hour_of_ticks_is_small():
    """Real levels (0.1 dB steps of noise on a steady background) of 5 channels: a few kB an hour, not 12."""
    rng = np.random.default_rng(1)
    base = make([HOUR0 + i * MINUTE_US for i in range(60)], [f"XV-{i}" for i in range(5)])
    levels = {n: np.round(rng.normal(30, 0.4, (60, 5)), 1).astype(np.float32) for n in LEVELS}
    levels["baseline_db"] = levels["expected_db"] = np.full((60, 5), 30.1, np.float32)
    levels["rise_db"] = levels["level_db"] - levels["baseline_db"]  # as the engine gives it
    levels["difference_bar"] = np.full((60, 5), 31, np.float32)
    codes = {n: np.zeros((60, 5), np.uint8) for n in CODES}
    assert len(encode(Block(base.channels, base.time_us, **levels, **codes))) < 3000


def test_ticks_are_merged_into_hours_and_read_per_channel(store):
    """Ticks written one at a time, some twice, across hours and a change of the register."""
    writer = store.writer()
    minutes = range(50, 130)
    whole = make([HOUR0 + m * MINUTE_US for m in minutes], ["a", "b"], 5)
    for i in range(0, 80, 7):
        with writer.transaction() as tx:
            tx.ticks([("g", whole.rows(slice(max(0, i - 3), i + 7))), ("other", whole.rows(slice(i, i + 7)))])
    with writer.transaction() as tx:
        tx.ticks([("g", make([HOUR0 + 130 * MINUTE_US], ["c", "b"], 6))])
    reader = store.reader()
    history = reader.history("g", "b", HOUR0 + 55 * MINUTE_US, HOUR0 + 200 * MINUTE_US)
    assert history.time_us.tolist() == [HOUR0 + m * MINUTE_US for m in range(55, 131)]
    np.testing.assert_array_equal(history.level_db[:-1], whole.level_db[5:, 1])
    np.testing.assert_array_equal(history.verdict[:-1], whole.verdict[5:, 1])
    assert (history.damaged, history.next_from_us) == ((), None)
    assert [b.start_us for b in reader.blocks("g", 0, HOUR0 * 2)] == [
        HOUR0,
        HOUR0 + HOUR_US,
        HOUR0 + 2 * HOUR_US,
    ]
    assert len(reader.history("g", "c", 0, HOUR0 * 2)) >= 1
    assert len(reader.history("g", "never", 0, HOUR0 * 2)) == 0
    assert len(reader.history("none", "a", 0, HOUR0 * 2)) == 0


def test_a_tick_on_record_stays(store):
    """The verdict that was given then is history, also if somebody judges the same tick again."""
    writer = store.writer()
    first, second = make([HOUR0], ["a"], 1), make([HOUR0], ["a"], 2)
    for block in (first, second):
        with writer.transaction() as tx:
            tx.ticks([("g", block)])
    history = store.reader().history("g", "a", HOUR0, HOUR0 + 1)
    assert history.verdict.tolist() == first.verdict[:, 0].tolist()


def test_long_histories_come_in_parts(store):
    """Years do not fit one answer: it says where to go on."""
    with store.writer().transaction() as tx:
        tx.ticks([("g", make([HOUR0 + h * HOUR_US for h in range(60)], ["a"]))])
    reader, times, start = store.reader(), [], 0
    while start is not None:
        part = reader.history("g", "a", start, HOUR0 * 2, most_ticks=25)
        assert len(part) == 25 or part.next_from_us is None
        times += part.time_us.tolist()
        start = part.next_from_us
    assert times == [HOUR0 + h * HOUR_US for h in range(60)]


def test_damage_is_told_and_does_not_stop_the_service(store):
    """The damaged block stays as it is; new ticks go behind it; the history says what is missing."""
    writer = store.writer()
    with writer.transaction() as tx:
        tx.ticks([("g", make([HOUR0 + i * MINUTE_US for i in range(3)], ["a"]))])
    with store.engine().begin() as connection:
        connection.execute(sa.update(tick_blocks).values(payload=b"HMB1rotten bytes"))
    for minute in (3, 4):
        with writer.transaction() as tx:
            tx.ticks([("g", make([HOUR0 + minute * MINUTE_US], ["a"]))])
    history = store.reader().history("g", "a", 0, HOUR0 * 2)
    assert history.time_us.tolist() == [HOUR0 + 3 * MINUTE_US, HOUR0 + 4 * MINUTE_US]
    (sentence,) = history.damaged
    assert "group g from 2023-11-14T22:00:00Z on is damaged" in sentence
    assert "checksum" in sentence


def test_encoded_blocks_are_put_as_they_are(store):
    writer = store.writer()
    for payload in (b"one", b"two"):
        with writer.transaction() as tx:
            tx.blocks([StoredBlock("g", HOUR0, 1, payload)])
    assert list(store.reader().blocks("g", HOUR0, HOUR0 + 1)) == [StoredBlock("g", HOUR0, 1, b"two")]


def test_of_tick_takes_the_rows_of_the_groups_that_closed():
    """A tick's arrays run over all channels; each closed group gets its own columns."""
    channels = [
        Channel(f"c{i}", f"c{i}", "valve", group, i, valve=f"XV-{i}")
        for i, group in enumerate(["a", "a", "b", "c", "c", "c"])
    ]
    layout = Layout.of(Register.of(channels), CoreSettings())
    arrays = {}
    for field in dataclasses.fields(Tick):
        if field.type == "F32":
            arrays[field.name] = np.arange(6, dtype=np.float32) + len(field.name)
        elif field.type == "U8":
            arrays[field.name] = np.arange(6, dtype=np.uint8) + len(field.name)
    arrays["last_us"] = np.array([0, HOUR0 - 7_900_000, 0, HOUR0, 1, HOUR0 + 1])
    arrays |= {"source": np.array([1, -1, 4]), "second": np.array([-1, -1, 3])}
    arrays["next_source"] = np.array([1, -1, 5])
    tick = Tick(
        at_us=HOUR0, groups=np.array([0, 2], np.int32), channels=np.array([0, 1, 3, 4, 5], np.int32), **arrays
    )
    (group_a, a), (group_c, c) = of_tick(tick, layout)
    assert (group_a, a.channels, group_c, c.channels) == ("a", ("c0", "c1"), "c", ("c3", "c4", "c5"))
    for name in (*LEVELS, *CODES):
        assert c.column(name).tolist() == [(np.arange(3, 6) + len(name)).tolist()]
    assert c.time_us.tolist() == [HOUR0]
    assert a.column("age_s").tolist() == [[65535, 7]]  # never heard, 7.9 s ago
    assert c.column("age_s").tolist() == [[0, 65534, 0]]
    assert a.column("role").tolist() == [[0, SOURCE | NEXT_SOURCE]]
    assert c.column("role").tolist() == [[SECOND, SOURCE, NEXT_SOURCE]]
    assert c.column("explanation").tolist() == [2 + len("explanation")]
    assert same(decode(encode(a)), a)
