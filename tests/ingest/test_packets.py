"""Packets out of a byte stream, however it is cut."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hissmark.decode.message import Message
from hissmark.ingest.packets import (
    HEAD_BYTES,
    MalformedError,
    PacketReader,
    acknowledgements,
    generations_of,
    token_of,
)

KEEP = 200_000


def split_token(token: int) -> tuple[int, int, int]:
    """(generation, qos, packet id) of a token."""
    return token >> 18, (token >> 16) & 3, token & 0xFFFF


def length(size: int) -> bytes:
    """Variable byte integer (MQTT 5.0, 1.5.5)."""
    out = bytearray()
    while True:
        size, low = divmod(size, 128)
        out.append(low | (128 if size else 0))
        if not size:
            return bytes(out)


def publish(
    topic: str,
    payload: bytes,
    packet_id: int = 0,
    *,
    version5: bool,
    retain: bool = False,
    properties: bytes = b"",
) -> bytes:
    """PUBLISH (MQTT 3.1.1 and 5.0, 3.3); QoS 1 if there is a packet id."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name
    if packet_id:
        body += packet_id.to_bytes(2, "big")
    if version5:
        body += length(len(properties)) + properties
    body += payload
    return bytes([0x30 | (2 if packet_id else 0) | retain]) + length(len(body)) + body


def reader(*, version5: bool = True, generation: int = 3) -> PacketReader:
    return PacketReader(version5=version5, generation=generation, keep_bytes=KEEP)


def test_tables_of_the_standard_for_lengths() -> None:
    """MQTT 5.0, table 1-1 (from memory): the borders between one, two, three and four bytes."""
    borders = {0: "00", 127: "7f", 128: "8001", 16_383: "ff7f", 16_384: "808001", 2_097_151: "ffff7f"}
    assert {size: length(size).hex() for size in borders} == borders
    for size in (5, 125, 126, 127, 16_370, 16_383, 100_000):
        packet = publish("t", b"x" * size, 1, version5=True)
        messages, _ = reader().feed(packet, 0)
        assert len(messages[0].payload) == size


items = st.one_of(
    st.tuples(
        st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0+#"), min_size=1, max_size=20),
        st.binary(max_size=300),
        st.integers(0, 65535),
        st.booleans(),
    ),
    st.tuples(st.sampled_from([0xD0, 0x90, 0xE0]), st.binary(max_size=200)),
)


@given(st.lists(items, max_size=8), st.booleans(), st.lists(st.integers(0, 3000), max_size=6))
def test_any_cutting_gives_the_same_packets(wanted: list[tuple], version5: bool, cuts: list[int]) -> None:
    stream, messages, control = b"", [], []
    for item in wanted:
        if len(item) == 4:
            topic, payload, packet_id, retain = item
            stream += publish(
                topic, payload, packet_id, version5=version5, retain=retain, properties=b"\x02\0\0\0\x05"
            )
            messages.append((topic, payload, packet_id, retain))
        else:
            stream += bytes([item[0]]) + length(len(item[1])) + item[1]
            control.append(item)
    found: list[Message] = []
    others: list[tuple[int, bytes]] = []
    one = reader(version5=version5)
    borders = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    for begin, end in itertools.pairwise(borders):
        some, more = one.feed(stream[begin:end], 7)
        found += some
        others += more
    assert [(m.topic, m.payload, split_token(m.token)[2], m.retained) for m in found] == messages
    assert others == control
    assert [m.received_us for m in found] == list(range(7, 7 + len(found)))
    assert {split_token(m.token)[:2] for m in found if m.token} <= {(3, 1)}


@pytest.mark.parametrize("version5", [True, False])
def test_of_a_huge_payload_only_the_head_is_kept(version5: bool) -> None:
    stream = publish("big", b"y" * 10_000_000, 9, version5=version5)
    stream += publish("small", b"z", 10, version5=version5)
    one = reader(version5=version5)
    found: list[Message] = []
    for at in range(0, len(stream), 100_000):
        found += one.feed(stream[at : at + 100_000], 0)[0]
        assert len(one._rest) <= KEEP + HEAD_BYTES + 100_000
    big, small = found
    assert (big.topic, big.size, split_token(big.token)) == ("big", 10_000_000, (3, 1, 9))
    assert 64 <= len(big.payload) <= 200_000
    assert (small.topic, small.payload, small.truncated_from) == ("small", b"z", 0)


@pytest.mark.parametrize("topic", ["t", "t" * 60_000])
def test_a_payload_of_just_the_limit_is_whole(topic: str) -> None:
    (message,) = reader().feed(publish(topic, b"y" * KEEP, 9, version5=True), 0)[0]
    assert (len(message.payload), message.truncated_from) == (KEEP, 0)


@pytest.mark.parametrize(
    "stream",
    [
        b"\x32\xff\xff\xff\xff\x01",  # length of five bytes
        b"\x32\x03\x00\x50a",  # topic longer than the packet
        b"\x32\x02\x00\x00" + b"\x00",  # no room for the packet id
        b"\x36\x06\x00\x01a\x00\x01\x00",  # QoS 3
        b"\x32\x06\x00\x01a\x00\x01\x50" + b"x" * 90,  # properties beyond the end
    ],
)
def test_what_is_no_mqtt_ends_the_connection(stream: bytes) -> None:
    with pytest.raises(MalformedError):
        reader().feed(stream + b"\0" * 100, 0)


@given(st.lists(st.binary(max_size=100), max_size=5), st.booleans())
def test_noise_is_malformed_or_nothing(chunks: list[bytes], version5: bool) -> None:
    one = reader(version5=version5)
    try:
        for chunk in chunks:
            one.feed(chunk, 0)
    except MalformedError:
        pass


def test_topics_in_broken_utf8_do_not_stop_the_stream() -> None:
    raw = b"\x30\x04\x00\x01\xff\x00"
    messages, _ = reader().feed(raw, 0)
    assert messages[0].topic == "\ufffd"


def test_no_two_messages_are_received_at_the_same_moment() -> None:
    """Samples without a time take the time of receipt: those of one read must not fall on one another."""
    one, packets = reader(), publish("t", b"{}", 1, version5=True) * 5
    stamps = [m.received_us for chunk in (packets, packets) for m in one.feed(chunk, 1000)[0]]
    assert stamps == list(range(1000, 1010))


def test_acknowledgements_in_their_order() -> None:
    """MQTT 5.0, 3.4 and 3.5: PUBACK 0x40, PUBREC 0x50, length 2, packet id with its high byte first."""
    tokens = np.array([token_of(7, 1, 0x0102), token_of(8, 2, 0xFFFE), token_of(7, 1, 1)], np.int64)
    assert generations_of(tokens).tolist() == [7, 8, 7]
    assert acknowledgements(tokens) == bytes.fromhex("40020102 5002fffe 40020001")
    assert acknowledgements(tokens[:0]) == b""
