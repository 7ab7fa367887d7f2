"""Some thousand of the mutants of `tests/bench/fuzz.py`, and a mistake in the decoder itself."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.decode import read_senml, read_sparkplug, senml
from hissmark.decode.columns import RejectReason
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.sparkplug_payload import Payload
from support.fuzzing import fuzz
from support.mutants import HOST, LEVELS, NAMES, NOW_US, SOURCES, Mutants

AT_S = NOW_US // 1_000_000


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32))
def test_mutants_raise_nothing_and_are_accounted_for(seed: int) -> None:
    outcome = fuzz(200, seed)
    assert not outcome.wrong, outcome.shown


def test_mutants_reach_every_reason_and_the_samples_between() -> None:
    """Otherwise they would say nothing about what lies behind."""
    outcome = fuzz(3000, 5)
    assert not outcome.wrong, outcome.shown
    unseen = {"too-many-records", RejectReason.UNREADABLE.value, "too-deep"}
    assert {reason.value for reason in RejectReason} - unseen <= set(outcome.rejects)
    assert outcome.samples > 200
    assert outcome.broken > 20


def test_a_seed_gives_the_same_mutants() -> None:
    one, other = Mutants(3), Mutants(3)
    assert [one.one() for _ in range(100)] == [other.one() for _ in range(100)]
    assert [one.stream() for _ in range(10)] == [other.stream() for _ in range(10)]


def decoder() -> Decoder:
    return Decoder(SOURCES, NAMES, levels=LEVELS, host_id=HOST)


def pack(number: int, name: str = "AX-1") -> Message:
    record = {"n": name, "u": "dB", "t": AT_S + number, "v": 21.0}
    return Message("senml/a", json.dumps([record]).encode(), NOW_US + number)


def test_a_mistake_in_the_decoder_costs_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one that it stumbles over, with topic, head and what happened; the others are kept in order."""
    resolve = senml.resolve

    def stumbling(records: Any) -> Any:
        if any(record.n == "strange" for record in records):
            raise KeyError("nobody thought of this")
        return resolve(records)

    monkeypatch.setattr(read_senml, "plain", lambda *_: None)  # the mistake is where records are taken singly
    monkeypatch.setattr(senml, "resolve", stumbling)
    some = [pack(i, "strange" if i in (3, 70) else "AX-1") for i in range(100)]
    found = decoder().decode(some, NOW_US)
    assert found.batch.time_us.tolist() == [(AT_S + i) * 1_000_000 for i in range(100) if i not in (3, 70)]
    assert [r.reason for r in found.rejects] == [RejectReason.UNREADABLE] * 2
    assert [r.received_us for r in found.rejects] == [NOW_US + 3, NOW_US + 70]
    assert found.rejects[0].topic == "senml/a"
    assert found.rejects[0].head == some[3].payload[:64]
    assert "KeyError: 'nobody thought of this'" in found.rejects[0].detail


def test_names_nobody_registered_are_counted_over_the_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """What decoding in parts lists is what decoding at once lists."""
    some = [pack(i, "new") for i in range(10)]
    whole = decoder().decode(some, NOW_US).unknown
    resolve = senml.resolve

    def stumbling(records: Any) -> Any:
        if any(record.n == "strange" for record in records):
            raise ValueError
        return resolve(records)

    monkeypatch.setattr(read_senml, "plain", lambda *_: None)  # the mistake is where records are taken singly
    monkeypatch.setattr(senml, "resolve", stumbling)
    assert decoder().decode([*some, pack(99, "strange")], NOW_US).unknown == whole


def sparkplug(kind: str, seq: int, *metrics: tuple[str, float]) -> Message:
    payload = Payload(timestamp=NOW_US // 1000, seq=seq)
    for name, value in metrics:
        payload.metrics.add(name=name, datatype=10, double_value=value, timestamp=NOW_US // 1000 + seq)
    return Message(f"spBv1.0/north/{kind}/gw", payload.SerializeToString(), NOW_US + seq)


def test_a_message_read_by_half_is_turned_away_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its first metric was fine. Nothing of it is kept; a birth read by half is asked for again."""
    number_of = read_sparkplug.number_of

    def stumbling(metric: Any, datatype: int) -> float | None:
        if metric.double_value == 66.0:
            raise RuntimeError("nobody thought of this")
        return number_of(metric, datatype)

    monkeypatch.setattr(read_sparkplug, "number_of", stumbling)
    mine = decoder()
    some = [
        sparkplug("NBIRTH", 0, ("temp", 1.0)),
        sparkplug("NDATA", 1, ("temp", 2.0), ("temp", 66.0)),
        sparkplug("NDATA", 2, ("temp", 3.0)),
    ]
    found = mine.decode(some, NOW_US)
    assert found.batch.value.tolist() == [1.0, 3.0]
    assert [(r.reason, r.count) for r in found.rejects] == [(RejectReason.UNREADABLE, 1)]
    assert mine.rebirths(NOW_US) == []
    found = mine.decode([sparkplug("NBIRTH", 0, ("temp", 4.0), ("temp", 66.0))], NOW_US)
    assert not len(found.batch)
    assert mine.rebirths(NOW_US) == [("north", "gw")]


def test_a_pack_that_says_nothing_is_counted() -> None:
    """Base fields alone are a valid pack (RFC 8428, 4.1) and bring nothing: its sender wants to know."""
    found = decoder().decode([Message("senml/a", b'[{"bn":"AX-1","bt":1772323200}]', NOW_US)], NOW_US)
    assert [(r.reason, r.count) for r in found.rejects] == [(RejectReason.EMPTY, 1)]
