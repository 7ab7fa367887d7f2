"""SenML packs against the examples and rules of RFC 8428.

Facts marked SEEN were read in the working group's text and its example files (`core-wg/senml-spec`,
`rfc8428.txt`, `exN.json` and `exN.gen.resolved.json`) and noted down; those marked MEM are from memory.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from hissmark.decode import senml
from hissmark.decode.columns import Flag, RejectReason
from hissmark.decode.decoder import Decoder
from hissmark.decode.loose import PayloadError
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource

RECEIVED_US = 1_760_000_000_000_000
SENSOR = "urn:dev:ow:10e2073a01080063"


def resolved(pack: object) -> list[tuple[str, float, str | None, float | None]]:
    """(name, time in s, unit, value) of each record of a pack."""
    entries = senml.resolve(senml.read_pack(json.dumps(pack).encode()))
    assert all(isinstance(entry, senml.Entry) for entry in entries)
    return [(e.name, round(e.base_time_s + e.time_s, 6), e.unit, e.value) for e in entries]  # type: ignore[union-attr]


def decoded(text: str, *names: str) -> tuple[list[tuple[str, int, float, int]], list[RejectReason]]:
    """What the decoder makes of a pack: (name, time in µs, value, flags), and why others were turned away."""
    decoder = Decoder([MqttSource("#")], {name: i for i, name in enumerate(names)})
    found = decoder.decode([Message("t", text.encode(), RECEIVED_US)], RECEIVED_US)
    batch = found.batch
    columns = zip(batch.series, batch.time_us, batch.value, batch.flags, strict=True)
    rows = [(names[s], int(t), float(v), int(f)) for s, t, v, f in columns]
    return rows, [reject.reason for reject in found.rejects]


def test_5_1_1_single_datapoint() -> None:
    """MEM."""
    assert resolved([{"n": SENSOR, "u": "Cel", "v": 23.1}]) == [(SENSOR, 0, "Cel", 23.1)]


def test_5_1_2_multiple_datapoints() -> None:
    """MEM. The base name is put before each name."""
    pack = [
        {"bn": f"{SENSOR}:", "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "u": "A", "v": 1.2},
    ]
    assert resolved(pack) == [(f"{SENSOR}:voltage", 0, "V", 120.1), (f"{SENSOR}:current", 0, "A", 1.2)]


def test_5_1_2_second_example_with_base_time_and_unit() -> None:
    """ex3, SEEN: base time, unit and version 5, the voltage first and last current. MEM: those between."""
    pack = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:", "bt": 1276020076.001, "bu": "A", "bver": 5,
            "n": "voltage", "u": "V", "v": 120.1,
        },
        *({"n": "current", "t": t, "v": round(1.7 + t / 10, 1)} for t in range(-5, 0)),
        {"n": "current", "v": 1.7},
    ]  # fmt: skip
    found = resolved(pack)
    assert found[0] == ("urn:dev:ow:10e2073a0108006:voltage", 1276020076.001, "V", 120.1)
    assert found[1] == ("urn:dev:ow:10e2073a0108006:current", 1276020071.001, "A", 1.2)
    assert found[-1] == ("urn:dev:ow:10e2073a0108006:current", 1276020076.001, "A", 1.7)
    assert len(found) == 7


PACK_5_1_3 = [
    {"bn": SENSOR, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
    {"u": "lon", "t": 180, "v": 24.30628},
    {"u": "lat", "t": 180, "v": 60.07967},
]
"""SEEN: bases, the humidity at 60 s, the record at 150 s and the last; thirteen in all. MEM: the rest."""


def test_5_1_3_resolves_to_5_1_4() -> None:
    found = resolved(PACK_5_1_3)
    assert len(found) == 13
    assert found[3] == (SENSOR, 1320067524, "%RH", 20.3)
    assert found[9] == (SENSOR, 1320067614, "%EL", 98)
    assert found[12] == (SENSOR, 1320067644, "lat", 60.07967)
    assert [entry[1] for entry in found] == sorted(entry[1] for entry in found), (
        "a resolved pack is chronological"
    )


def test_5_1_5_multiple_data_types() -> None:
    """MEM. Text, truth and binary values are valid SenML; a level must be a number."""
    pack = (
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","v":23.1},{"n":"label","vs":"Machine Room"},'
        '{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]'
    )
    rows, reasons = decoded(
        pack, f"{SENSOR}:temp", f"{SENSOR}:label", f"{SENSOR}:open", f"{SENSOR}:nfc-reader"
    )
    assert [row[0] for row in rows] == [f"{SENSOR}:temp"]
    assert reasons == [RejectReason.WRONG_TYPE]


def test_5_1_6_collection_of_resources() -> None:
    """MEM. A later base name replaces the earlier one; the base time stays."""
    pack = [
        {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert resolved(pack) == [
        ("2001:db8::2/temperature", 1320078429, "Cel", 25.2),
        ("2001:db8::2/humidity", 1320078429, "%RH", 30),
        ("2001:db8::1/temperature", 1320078429, "Cel", 12.3),
        ("2001:db8::1/humidity", 1320078429, "%RH", 67),
    ]


def test_base_name_alone_is_a_complete_name() -> None:
    """ex11, SEEN: `bn` without `n`."""
    assert resolved([{"bn": "urn:dev:ow:10e2073a01080063", "v": 1}])[0][0] == "urn:dev:ow:10e2073a01080063"


def test_base_fields_persist_and_base_value_is_added() -> None:
    """Section 4, SEEN: n=bn+n, t=bt+t, v=bv+v, unit falls back to bu, base fields hold for later records."""
    pack = [
        {"bn": "a/", "bt": 2e9, "bu": "dB", "bv": 20, "n": "x", "t": 1, "v": 1.5},
        {"n": "y", "v": 3},
        {"v": 0},
    ]
    assert resolved(pack) == [
        ("a/x", 2000000001, "dB", 21.5),
        ("a/y", 2000000000, "dB", 23),
        ("a/", 2000000000, "dB", 20),
    ]


def test_times_below_two_to_the_28_are_relative_to_now() -> None:
    """Section 4.5.3, SEEN: below 268435456 s relative, 0 is now. What is relative to receipt is flagged."""
    rows, reasons = decoded(
        '[{"n":"a","v":1},{"n":"a","v":2,"t":-3.5},{"n":"a","v":3,"bt":1760000000,"t":60}]', "a"
    )
    assert reasons == []
    assert rows == [
        ("a", RECEIVED_US, 1.0, Flag.RECEIPT_TIME),
        ("a", RECEIVED_US - 3_500_000, 2.0, Flag.RECEIPT_TIME),
        ("a", 1_760_000_060_000_000, 3.0, 0),
    ]


def test_the_smallest_absolute_time_lies_in_1978() -> None:
    """SEEN: 1978-07-04 21:24:16Z. It is absolute, and long before any sensor of ours: turned away."""
    assert datetime.fromtimestamp(senml.RELATIVE_BELOW_S, UTC) == datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)
    rows, reasons = decoded('[{"n":"a","v":1,"t":268435456}]', "a")
    assert (rows, reasons) == ([], [RejectReason.BAD_TIME])


@pytest.mark.parametrize("version", [11, 2**31, 0, -1])
def test_packs_of_other_versions_are_not_used(version: int) -> None:
    """Section 4.4, SEEN: a higher version than understood must not be used. All records of the pack fall."""
    rows, reasons = decoded(f'[{{"n":"a","v":1}},{{"bver":{version},"n":"a","v":2,"t":1}}]', "a")
    assert (rows, reasons) == ([], [RejectReason.UNSUPPORTED_VERSION])


def test_labels_that_must_be_understood() -> None:
    """Section 4.4, SEEN: an unknown label ending in "_" is an error, other unknown labels are ignored."""
    assert decoded('[{"n":"a","v":1,"foo":[{"b":2}]}]', "a")[1] == []
    for label in ("foo_", "foo\\u005f"):
        rows, reasons = decoded(f'[{{"n":"a","v":1}},{{"n":"a","v":2,"t":1,"{label}":3}}]', "a")
        assert (rows, reasons) == ([], [RejectReason.UNKNOWN_MUST_UNDERSTAND])


@pytest.mark.parametrize("name", ["-a", "_a", ":a", "a b", "a+b", "ä", "", "a\\n"])
def test_names_outside_the_character_set(name: str) -> None:
    """Section 4.5.1, SEEN: [A-Za-z0-9-:./_], first one alphanumeric."""
    rows, reasons = decoded(f'[{{"n":"{name}","v":1}},{{"n":"good","v":1}}]', "good")
    assert [row[0] for row in rows] == ["good"]
    assert reasons == [RejectReason.BAD_NAME]


def test_a_wrong_base_field_spoils_the_pack() -> None:
    """Later records cannot be resolved without it, so none is used."""
    with pytest.raises(PayloadError) as caught:
        senml.read_pack(b'[{"bn":"a","bt":"noon","v":1},{"v":2}]')
    assert caught.value.reason is RejectReason.WRONG_TYPE
