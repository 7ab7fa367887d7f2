"""What the decoder keeps, flags and turns away."""

from __future__ import annotations

import time

import numpy as np
import pytest

from hissmark.decode.columns import Decoded, Flag
from hissmark.decode.decoder import Decoder
from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource

NOW_US = 1_760_000_000_000_000
NAMES = {"AX-101": 0, "AX-102": 1, "ZT-101": 2, "Tür 1": 3}
LEVELS = ("AX-101", "AX-102")
SOURCES = [
    MqttSource("plant/+/levels"),
    MqttSource("json/+/+", format="json", name_template="{1}"),
    MqttSource(
        "deep/#", format="json", name_template="{1}", value_pointer="/data/0/val", time_pointer="/meta/t~1s"
    ),
    MqttSource("bare/+", format="json", name_template="{1}", value_pointer="", time_pointer=None),
    MqttSource("bar/+/+", format="json", name_template="{1}", unit="bar"),
]


def decode(*messages: Message, limits: Limits | None = None) -> Decoded:
    return Decoder(SOURCES, NAMES, limits, LEVELS).decode(messages, NOW_US)


def senml(payload: str | bytes, **more: object) -> Message:
    raw = payload.encode() if isinstance(payload, str) else payload
    return Message("plant/north/levels", raw, NOW_US, **more)  # type: ignore[arg-type]


def json_message(payload: str | bytes, topic: str = "json/AX-101/x", **more: object) -> Message:
    raw = payload.encode() if isinstance(payload, str) else payload
    return Message(topic, raw, NOW_US, **more)  # type: ignore[arg-type]


def reasons(found: Decoded) -> list[tuple[str, int]]:
    return [(reject.reason.value, reject.count) for reject in found.rejects]


def test_columns_have_the_promised_types_and_keep_the_order_of_arrival() -> None:
    found = decode(
        senml('[{"n":"AX-102","v":41.5,"u":"dB","t":1759999990}]'),
        json_message('{"value":40,"time":1759999991}'),
        senml('[{"n":"ZT-101","v":3,"u":"%","t":1759999992},{"n":"AX-101","v":39,"t":1759999993}]'),
    )
    batch = found.batch
    kinds = (batch.series.dtype, batch.time_us.dtype, batch.value.dtype, batch.flags.dtype)
    assert kinds == (np.int32, np.int64, np.float64, np.uint8)
    assert batch.series.tolist() == [1, 0, 2, 0]
    assert batch.time_us.tolist() == [1759999990 * 10**6 + k * 10**6 for k in range(4)]
    assert batch.value.tolist() == [41.5, 40.0, 3.0, 39.0]
    assert batch.flags.tolist() == [0, 0, 0, 0]
    assert found.rejects == []


def test_nothing_in_nothing_out() -> None:
    assert len(decode().batch) == 0


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (senml("not json"), "not-json"),
        (senml(""), "empty"),
        (senml("[]"), "empty"),
        (senml('{"n":"AX-101","v":1}'), "wrong-type"),
        (senml("[5]"), "wrong-type"),
        (senml(b'[{"n":"\xff","v":1}]'), "not-json"),
        (senml(b"\xff\xfe\x00"), "not-json"),
        (senml('[{"n":"AX-101","v":"41"}]'), "wrong-type"),
        (senml('[{"n":"AX-101","v":true}]'), "wrong-type"),
        (senml('[{"n":"AX-101","v":NaN}]'), "not-finite"),
        (senml('[{"n":"AX-101","v":Infinity}]'), "not-finite"),
        (senml('[{"n":"AX-101","v":-1e999}]'), "not-finite"),
        (senml('[{"n":"AX-101","v":1e10}]'), "out-of-range"),
        (senml('[{"n":"AX-101"}]'), "missing-value"),
        (senml('[{"n":"AX-101","s":5}]'), "missing-value"),
        (senml('[{"n":"AX-101","v":1,"t":1e10}]'), "bad-time"),
        (senml('[{"n":"AX-101","v":1,"t":1760000000000}]'), "bad-time"),
        (senml('[{"n":"AX-101","v":1,"t":"2025-10-09T08:53:20Z"}]'), "wrong-type"),
        (senml('[{"n":"AX-101","v":1,"u":"V"}]'), "bad-unit"),
        (senml('[{"n":"AX-101","v":1,"u":"bar"}]'), "bad-unit"),
        (senml('[{"n":"ZT-101","v":1,"u":"Pa"}]'), "bad-unit"),
        (senml('[{"n":"AX-999","v":1}]'), "unknown-name"),
        (senml('[{"n":"AX 999","v":1}]'), "bad-name"),
        (senml("[" * 100_000), "too-deep"),
        (senml('[{"n":"AX-101","v":1,"z":' + "[" * 50_000 + "]" * 50_000 + "}]"), "too-deep"),
        (senml('[{"n":"AX-101","v":1,"z":' + '{"a":' * 50_000 + "1" + "}" * 50_001 + "]"), "too-deep"),
        (senml('[{"n":"AX-101","v":1}]', retained=True), "retained-without-time"),
        (senml('[{"n":"AX-101","v":1,"t":-5}]', retained=True), "retained-without-time"),
        (json_message("x"), "not-json"),
        (json_message(""), "empty"),
        (json_message('{"value":"41"}'), "wrong-type"),
        (json_message('{"value":false}'), "wrong-type"),
        (json_message('{"value":null}'), "wrong-type"),
        (json_message('{"value":NaN,"time":1}'), "not-finite"),
        (json_message('{"value":' + "9" * 400 + "}"), "not-finite"),
        (json_message('{"value":' + "9" * 5000 + "}"), "not-json"),
        (json_message('{"other":1}'), "missing-value"),
        (json_message("[1]"), "missing-value"),
        (json_message('{"value":1,"time":"yesterday"}'), "bad-time"),
        (json_message('{"value":1,"time":true}'), "bad-time"),
        (json_message('{"value":1,"time":0}'), "bad-time"),
        (json_message('{"value":1,"time":"1970-01-01T00:00:00Z"}'), "bad-time"),
        (json_message('{"value":1,"time":"2100-01-01T00:00:00Z"}'), "bad-time"),
        (json_message('{"value":1}', retained=True), "retained-without-time"),
        (json_message("[" * 100_000), "too-deep"),
        (json_message('{"value":1}', topic="json/AX-999/x"), "unknown-name"),
        (json_message('{"value":1}', topic="json/\n/x"), "bad-name"),
        (json_message('{"value":1}', topic="json//x"), "bad-name"),
        (json_message('{"value":1}', topic="deep"), "bad-topic"),
        (json_message('{"value":1}', topic="elsewhere"), "bad-topic"),
        (json_message('{"value":1}', topic="bar/AX-101/x"), "bad-unit"),
    ],
)
def test_bad_messages_are_turned_away_with_a_reason(message: Message, reason: str) -> None:
    found = decode(message)
    assert len(found.batch) == 0
    assert reasons(found) == [(reason, 1)]
    reject = found.rejects[0]
    assert reject.received_us == NOW_US
    assert reject.head == message.payload[:64]
    assert reject.detail
    assert reject.detail.isprintable()


@pytest.mark.parametrize(
    "bad", ['{"n":"AX-101","v":"x"}', '{"n":"AX-101","v":NaN}', '{"n":"AX-101"}', "7", '{"n":"? ?","v":1}']
)
def test_one_bad_record_leaves_its_neighbours(bad: str) -> None:
    found = decode(
        senml(f'[{{"n":"AX-101","v":40,"t":1759999990}},{bad},{{"n":"AX-102","v":41,"t":1759999990}}]')
    )
    assert found.batch.series.tolist() == [0, 1]
    assert [reject.count for reject in found.rejects] == [1]


def test_a_bad_record_still_sets_the_bases() -> None:
    found = decode(senml('[{"bn":"AX-","bt":1759999990,"n":"101","v":"broken"},{"n":"102","v":41}]'))
    assert (found.batch.series.tolist(), found.batch.time_us.tolist()) == ([1], [1759999990 * 10**6])


def test_a_record_with_bases_only_is_no_fault() -> None:
    found = decode(senml('[{"bn":"AX-","bt":1759999990},{"n":"101","v":40}]'))
    assert (len(found.batch), found.rejects) == (1, [])


def test_rejects_of_one_message_are_added_up() -> None:
    found = decode(senml("[" + ",".join(['{"n":"AX-101","v":"x"}'] * 500) + "]"))
    assert reasons(found) == [("wrong-type", 500)]


def test_ten_megabytes_are_turned_away_unread() -> None:
    message = senml(b"[" + b'{"n":"AX-101","v":1},' * 500_000)
    began = time.process_time()
    found = decode(message)
    assert time.process_time() - began < 0.05
    assert reasons(found) == [("too-large", 1)]
    assert str(len(message.payload)) in found.rejects[0].detail


def test_a_payload_cut_off_on_arrival_is_too_large_with_its_full_size() -> None:
    found = decode(senml('[{"n":"AX-101","v":1}]', truncated_from=10_000_000))
    assert reasons(found) == [("too-large", 1)]
    assert "10000000" in found.rejects[0].detail


def test_too_many_records() -> None:
    pack = "[" + ",".join(['{"n":"AX-101","v":1}'] * 11) + "]"
    assert reasons(decode(senml(pack), limits=Limits(max_records=10))) == [("too-many-records", 1)]


def test_a_name_from_the_register_is_taken_even_if_senml_forbids_its_letters() -> None:
    assert decode(senml('[{"n":"Tür 1","v":1,"t":1759999990}]')).batch.series.tolist() == [3]


def test_flags() -> None:
    found = decode(
        senml('[{"n":"AX-101","v":1}]'),
        json_message('{"value":1}'),
        json_message('{"value":1,"time":null}'),
        json_message('{"value":1,"time":1759999990}', retained=True),
        json_message('{"value":1,"time":1760003601}'),
        json_message('{"value":1,"time":1760003600}'),
    )
    receipt = int(Flag.RECEIPT_TIME)
    assert found.batch.flags.tolist() == [receipt, receipt, receipt, int(Flag.RETAINED), int(Flag.AHEAD), 0]
    assert found.batch.time_us[:3].tolist() == [NOW_US] * 3


def test_json_by_pointers_into_the_depth() -> None:
    found = decode(
        json_message(
            '{"data":[{"val":40.5}],"meta":{"t/s":"2025-10-09T08:53:20Z"}}', topic="deep/AX-101/y/z"
        ),
        json_message('{"data":[{"val":40.5}]}', topic="deep/AX-102"),
        json_message(" 41.25 ", topic="bare/AX-101"),
        json_message('{"value":3.5,"time":1759999990123}', topic="bar/ZT-101/x"),
    )
    assert found.batch.series.tolist() == [0, 1, 0, 2]
    assert found.batch.value.tolist() == [40.5, 40.5, 41.25, 3.5]
    assert found.batch.time_us.tolist() == [NOW_US, NOW_US, NOW_US, 1759999990123000]
    assert [bool(f & Flag.RECEIPT_TIME) for f in found.batch.flags.tolist()] == [False, True, True, False]


def test_the_first_matching_source_wins() -> None:
    sources = [MqttSource("a/#", format="json", name_template="{1}"), MqttSource("a/+")]
    found = Decoder(sources, NAMES).decode([Message("a/AX-101", b'{"value":1}', NOW_US)], NOW_US)
    assert len(found.batch) == 1


def test_unknown_names_are_listed_with_what_they_sent() -> None:
    found = decode(
        senml('[{"n":"NEW","v":5,"t":1759999990},{"n":"AX-101","v":40,"t":1759999990}]'),
        Message("plant/south/levels", b'[{"n":"NEW","v":6,"t":1759999991}]', NOW_US + 1),
    )
    assert len(found.batch) == 1
    new = found.unknown["NEW"]
    assert (new.topic, new.first_seen_us, new.last_seen_us) == ("plant/north/levels", NOW_US, NOW_US + 1)
    assert (new.count, new.last_value) == (2, 6.0)
    assert reasons(found) == [("unknown-name", 2)]


def test_a_flood_of_unknown_names_stays_bounded() -> None:
    pack = "[" + ",".join(f'{{"n":"N{i}","v":1}}' for i in range(5_000)) + "]"
    found = decode(senml(pack), limits=Limits(max_unknown=10))
    assert len(found.unknown) == 10
    assert sum(reject.count for reject in found.rejects) == 5_000
    assert len(found.rejects) == 11


def test_a_flood_of_topics_does_not_grow_the_decoder() -> None:
    decoder = Decoder(SOURCES, NAMES, Limits(max_topics=100))
    for start in range(0, 1000, 50):
        messages = [json_message('{"value":1}', topic=f"json/{start + i}/x") for i in range(50)]
        decoder.decode(messages, NOW_US)
        assert len(decoder._routes) <= 100


def test_text_from_outside_is_stored_harmless() -> None:
    found = decode(Message("plant/a\0b/levels", b'[{"n":"\\ud800\\u0000","v":1}]', NOW_US))
    assert reasons(found) == [("bad-name", 1)]
    found.rejects[0].detail.encode()
    assert "\0" not in found.rejects[0].topic


def test_two_messages_cannot_pose_as_others() -> None:
    """Joined decoding must not read across the border between two payloads, whatever they hold."""
    pairs = [
        ('{"value":1,"time":1759999990', '"x":2},{"value":3,"time":1759999991}'),
        ('{"value":1,"x":"', '"},{"value":2}'),
        ('{"value":1},{"value":2}', ""),
        ('{"value":1,"z":[{"a":1}', '{"b":1}]},{"value":2}'),
    ]
    for first, second in pairs:
        found = decode(json_message(first), json_message(second))
        assert len(found.batch) == 0, (first, second)
    for first, second in [
        ('[{"n":"AX-101","v":1}', '{"n":"AX-102","v":2}],[]'),
        ('[{"n":"AX-101","v":1}],[]', "["),
    ]:
        assert len(decode(senml(first), senml(second)).batch) == 0
