"""Packs read as a whole and packs read record by record come to the same (RFC 8428)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.decode import read_senml
from hissmark.decode.columns import Decoded
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource

NAMES = {"AX-1": 0, "bay/AX-2": 1, "b": 2}
NOW_US = 1_760_000_000_000_000
NUMBERS = st.sampled_from([None, 0, -0.0, 1, 40.25, 1e9, 1_760_000_000, 1e300])
RECORDS = st.fixed_dictionaries(
    {},
    optional={
        "n": st.sampled_from(["AX-1", "AX-2", "b", "", "?", None]),
        "v": NUMBERS,
        "t": NUMBERS,
        "u": st.sampled_from(["dB", "bar", "Pa", None]),
        "vs": st.sampled_from(["b", 5]),
    },
)
BASES = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from(["AX-1", "bay/", "bay/AX-2", "b", "", None]),
        "bt": NUMBERS,
        "bu": st.sampled_from(["dB", "bar", "b"]),
        "bv": NUMBERS,
        "bs": NUMBERS,
        "bver": st.sampled_from([10, 11]),
        "x": st.sampled_from(["b", {"bn": "AX-1"}]),
    },
)
TELLING = RECORDS.map(lambda record: {"v": 1.5} | record)
PLAIN_PACKS = st.builds(
    lambda bases, first, rest: [bases | first, *rest], BASES, TELLING, st.lists(TELLING, max_size=3)
)
ANY_PACKS = st.lists(st.builds(lambda a, b: a | b, BASES, RECORDS), max_size=3)


def decoded(packs: list[Any]) -> Decoded:
    messages = [
        Message("t", json.dumps(pack, separators=(",", ":")).encode(), NOW_US + k)
        for k, pack in enumerate(packs)
    ]
    return Decoder([MqttSource("t")], NAMES, levels=("AX-1",)).decode(messages, NOW_US)


def said(found: Decoded) -> tuple[object, ...]:
    columns = [[repr(x) for x in column.tolist()] for column in found.batch.columns]
    return columns, found.rejects, found.unknown


@settings(max_examples=400, deadline=None)
@given(st.lists(st.one_of(PLAIN_PACKS, ANY_PACKS), min_size=1, max_size=3))
def test_read_as_a_whole_and_record_by_record_packs_come_to_the_same(packs: list[Any]) -> None:
    whole = said(decoded(packs))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(read_senml, "plain", lambda *_: None)
        assert said(decoded(packs)) == whole


@pytest.mark.parametrize(
    "pack",
    [
        [{"bn": "AX-1", "bt": 1.76e9, "bu": "dB", "v": 1}, {"t": 1, "v": 2}],
        [{"bn": "bay/", "bt": 1.76e9, "bu": "bar"}, {"n": "AX-2", "v": 2}, {"n": "AX-2", "t": 1, "v": 2}],
        [{"n": "AX-1", "u": "dB", "v": 2, "t": 1.76e9}],
    ],
)
def test_what_gateways_send_is_read_as_a_whole(pack: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("read record by record")

    monkeypatch.setattr(read_senml.senml, "resolve", never)
    assert len(decoded([pack, pack]).batch) > 0
