"""Properties of the decoder: it never raises, and how messages are batched changes nothing."""

from __future__ import annotations

import json
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.decode.columns import Decoded
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource

NOW_US = 1_760_000_000_000_000
NAMES = {"AX-1": 0, "AX-2": 1, "ZT": 2}
SOURCES = [
    MqttSource("s/#"),
    MqttSource("j/+", format="json", name_template="{1}"),
    MqttSource("d/+", format="json", name_template="{1}", value_pointer="/a/b", time_pointer=None),
    MqttSource("b/+", format="json", name_template="{1}", value_pointer=""),
]

odd_values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(
        ["AX-1", "AX-2", "ZT", "dB", "bar", "2025-10-09T08:53:20Z", 1.76e9, 1_760_000_000_123, -5, 1e999]
    ),
)
odd_json = st.recursive(
    odd_values,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.sampled_from(["n", "v", "t", "u", "bn", "bt", "bv", "bver", "a", "b", "x_"]), inner
        ),
    ),
    max_leaves=12,
)
labels = st.sampled_from(
    ["n", "v", "t", "u", "bn", "bt", "bu", "bv", "bver", "vs", "vb", "s", "zz", "zz_", "value"]
)
records = st.dictionaries(labels, odd_values, max_size=6)
payloads = st.one_of(
    st.binary(max_size=80),
    odd_json.map(lambda value: json.dumps(value).encode()),
    st.lists(records, max_size=5).map(lambda value: json.dumps(value).encode()),
    st.fixed_dictionaries({"value": odd_values, "time": odd_values}).map(
        lambda value: json.dumps(value).encode()
    ),
    st.text(alphabet='[]{}",:0123456789.eE-+truefalsn\\u_ ', max_size=60).map(str.encode),
)
topics = st.sampled_from(["s/x", "j/AX-1", "j/AX-2", "j/new", "d/AX-1", "b/ZT", "nowhere", "j/", "j/\0"])
messages = st.builds(Message, topics, payloads, st.integers(NOW_US - 10**9, NOW_US), st.booleans())


def rows(found: Decoded) -> list[tuple[int, int, float, int]]:
    batch = found.batch
    columns = (batch.series, batch.time_us, batch.value, batch.flags)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def turned_away(*results: Decoded) -> Counter[tuple[str, str]]:
    total: Counter[tuple[str, str]] = Counter()
    for found in results:
        for reject in found.rejects:
            total[reject.topic, reject.reason.value] += reject.count
    return total


@settings(max_examples=400, deadline=None)
@given(st.lists(messages, max_size=8))
def test_it_never_raises_and_accounts_for_every_message(some: list[Message]) -> None:
    found = Decoder(SOURCES, NAMES).decode(some, NOW_US)
    for _, time_us, value, _ in rows(found):
        assert 946_684_800_000_000 <= time_us < 4_102_444_800_000_000
        assert abs(value) <= 1e9
    for reject in found.rejects:
        assert reject.count > 0
        (reject.topic + reject.detail).encode()
        assert len(reject.head) <= 64


@settings(max_examples=400, deadline=None)
@given(st.lists(messages, max_size=8))
def test_batching_changes_nothing(some: list[Message]) -> None:
    decoder = Decoder(SOURCES, NAMES)
    together = decoder.decode(some, NOW_US)
    alone = [decoder.decode([message], NOW_US) for message in some]
    assert rows(together) == [row for found in alone for row in rows(found)]
    known = {k: v for k, v in turned_away(together).items() if k[1] != "unknown-name"}
    assert known == {k: v for k, v in turned_away(*alone).items() if k[1] != "unknown-name"}
    assert sum(u.count for u in together.unknown.values()) == sum(
        u.count for found in alone for u in found.unknown.values()
    )


@given(st.binary(min_size=1, max_size=200), st.sampled_from(["s/x", "j/AX-1"]))
def test_noise_yields_a_reject(noise: bytes, topic: str) -> None:
    found = Decoder(SOURCES, NAMES).decode([Message(topic, noise, NOW_US)], NOW_US)
    assert len(found.batch) + sum(reject.count for reject in found.rejects) >= 1


good_records = st.fixed_dictionaries(
    {"n": st.sampled_from(["AX-1", "AX-2", "ZT", "new"]), "v": st.floats(-200, 200)},
    optional={
        "t": st.integers(-100, 100),
        "u": st.sampled_from(["dB", "bar", "V"]),
        "bt": st.sampled_from([0, 1.76e9, 1.76e9 + 0.123456]),
        "bv": st.floats(-10, 10),
    },
)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.lists(good_records, min_size=1, max_size=6), min_size=1, max_size=4))
def test_the_careful_path_agrees_with_the_fast_one(packs: list[list[dict[str, object]]]) -> None:
    """An escape anywhere in a pack forces record by record decoding; the outcome must be the same."""
    plain = [Message("s/x", json.dumps(pack).encode(), NOW_US) for pack in packs]
    forced = [
        Message("s/x", json.dumps([*pack[:-1], {**pack[-1], "note": "\u00e9"}]).encode(), NOW_US)
        for pack in packs
    ]
    assert all(b"\\" in message.payload for message in forced)
    decoder = Decoder(SOURCES, NAMES)
    fast, careful = decoder.decode(plain, NOW_US), decoder.decode(forced, NOW_US)
    assert rows(fast) == rows(careful)
    assert turned_away(fast) == turned_away(careful)


@pytest.mark.parametrize(
    "record",
    [r'{"\ud800":1,"v":1}', r'{"n":"\ud800","v":1}', r'{"bn":"\udfff","v":true}', r'{"u":"\ud800x"}'],
)
def test_half_a_character_is_turned_away(record: str) -> None:
    """A lone surrogate is legal in JSON's grammar (RFC 8259, 8.2) and no text."""
    message = Message("s/x", f"[{record}]".encode(), NOW_US)
    found = Decoder(SOURCES, NAMES).decode([message], NOW_US)
    assert not len(found.batch)
    assert found.rejects or found.unknown
