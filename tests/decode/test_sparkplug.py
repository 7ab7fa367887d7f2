"""Sparkplug B: births, aliases, order and quality, against the specification's own rules and examples.

Source: Sparkplug Specification 3.0.0 (eclipse-sparkplug/sparkplug), chapters 4 to 6.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from hissmark.decode.columns import Decoded
from hissmark.decode.decoder import Decoder
from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource
from hissmark.decode.sparkplug_nodes import ASK_AGAIN_US
from hissmark.decode.sparkplug_payload import Payload, number_of, parse_topic

NOW_US = 1_772_323_200_000_000
MS = NOW_US // 1000
INT8, INT16, INT32, INT64, UINT8, UINT64, FLOAT, DOUBLE, BOOLEAN, STRING = 1, 2, 3, 4, 5, 8, 9, 10, 11, 12
REORDER_US = 5_000_000
LEVEL, NODE = "north/gw1/ae1/level", ("north", "gw1")


class Plant:
    """One edge node with one device, and the decoder that hears it."""

    def __init__(self, names: tuple[str, ...] = (LEVEL, "north/gw1/temp"), reorder_s: float = 5.0) -> None:
        known = {name: i for i, name in enumerate(names)}
        source = MqttSource("spBv1.0/north/#", format="sparkplug")
        limits = Limits(reorder_s=reorder_s)
        self.decoder = Decoder([source], known, limits, names, host_id="hissmark-north")
        self.now_us = NOW_US

    def send(self, kind: str, seq: int | None, *metrics: dict[str, Any], device: str = "") -> Decoded:
        payload = Payload(timestamp=self.now_us // 1000)
        if seq is not None:
            payload.seq = seq
        for metric in metrics:
            properties = metric.pop("properties", None)
            made = payload.metrics.add(**metric)
            for key, value in (properties or {}).items():
                made.properties.keys.append(key)
                made.properties.values.add(type=INT32, int_value=value)
        return self.raw(
            f"spBv1.0/north/{kind}/gw1" + (f"/{device}" if device else ""), payload.SerializeToString()
        )

    def raw(self, topic: str, payload: bytes) -> Decoded:
        return self.decoder.decode([Message(topic, payload, self.now_us)], self.now_us)

    def born(self, seq: int = 0, bd_seq: int = 0) -> None:
        self.send("NBIRTH", seq, {"name": "bdSeq", "datatype": INT64, "long_value": bd_seq})
        self.send("DBIRTH", seq + 1, level(20.0, alias=7), device="ae1")

    def asks(self, later_us: int = 0) -> list[tuple[str, str]]:
        self.now_us += later_us
        return self.decoder.rebirths(self.now_us)


def level(value: float, **more: Any) -> dict[str, Any]:
    return {"name": "level", "datatype": DOUBLE, "double_value": value, "timestamp": MS, **more}


def by_alias(value: float, alias: int = 7, **more: Any) -> dict[str, Any]:
    return {"alias": alias, "double_value": value, "timestamp": MS, **more}


def reasons(found: Decoded) -> list[str]:
    return [reject.reason.value for reject in found.rejects]


def test_a_birth_carries_values_and_its_alias_stands_for_the_name_afterwards() -> None:
    plant = Plant()
    plant.send("NBIRTH", 0, {"name": "bdSeq", "datatype": INT64, "long_value": 0})
    assert plant.send("DBIRTH", 1, level(21.5, alias=7), device="ae1").batch.value.tolist() == [21.5]
    found = plant.send("DDATA", 2, by_alias(36.25), device="ae1")
    assert (found.batch.series.tolist(), found.batch.value.tolist()) == ([0], [36.25])
    assert found.batch.time_us.tolist() == [NOW_US]
    assert plant.asks() == []
    assert plant.decoder.edge_nodes() == (1, 0)


def test_the_specifications_example_of_a_birth_and_its_death() -> None:
    """NBIRTH and NDEATH of the node `Raspberry Pi`, chapter 6."""
    group, node = "Sparkplug B Devices", "Raspberry Pi"
    plant = Plant((f"{group}/{node}/Supply Voltage", f"{group}/{node}/Scan Rate"))
    plant.decoder = Decoder(
        [MqttSource("spBv1.0/#", format="sparkplug")],
        {f"{group}/{node}/Supply Voltage": 0, f"{group}/{node}/Scan Rate": 1}, None, (), "host",
    )  # fmt: skip
    birth = Payload(timestamp=1486144502122, seq=0)
    birth.metrics.add(name="bdSeq", timestamp=1486144502122, datatype=INT64, long_value=0)
    birth.metrics.add(
        name="Node Control/Rebirth", timestamp=1486144502122, datatype=BOOLEAN, boolean_value=False
    )
    birth.metrics.add(name="Scan Rate", timestamp=1486144502122, datatype=INT64, long_value=3000)
    birth.metrics.add(name="Supply Voltage", timestamp=1486144502122, datatype=FLOAT, float_value=12.1)
    found = plant.raw(f"spBv1.0/{group}/NBIRTH/{node}", birth.SerializeToString())
    assert found.batch.series.tolist() == [1, 0]
    assert found.batch.value.tolist() == pytest.approx([3000, 12.1], rel=1e-6)
    assert found.batch.time_us.tolist() == [1486144502122000] * 2
    assert found.rejects == []
    assert found.unknown == {}
    death = Payload(timestamp=1486144502122)
    death.metrics.add(name="bdSeq", timestamp=1486144502122, datatype=INT64, long_value=0)
    plant.raw(f"spBv1.0/{group}/NDEATH/{node}", death.SerializeToString())
    assert plant.decoder.edge_nodes() == (0, 1)


def test_data_before_the_birth_is_turned_away_and_the_birth_is_asked_for_once() -> None:
    plant = Plant()
    assert reasons(plant.send("DDATA", 5, by_alias(40.0), device="ae1")) == ["not-born"]
    assert plant.asks() == [NODE]
    assert plant.asks() == []
    assert plant.asks(ASK_AGAIN_US) == [NODE]
    plant.born()
    assert plant.asks(ASK_AGAIN_US) == []


def test_an_alias_that_no_birth_announced_asks_for_one() -> None:
    plant = Plant()
    plant.born()
    assert reasons(plant.send("DDATA", 2, by_alias(40.0, alias=99), device="ae1")) == ["not-born"]
    assert plant.asks() == [NODE]


def test_messages_1_2_4_3_need_no_rebirth() -> None:
    """The order example of chapter 6: the missing one comes within the reorder timeout."""
    plant = Plant()
    plant.born()
    for seq in (2, 4, 3, 5):
        plant.send("DDATA", seq, by_alias(40.0), device="ae1")
    assert plant.asks(2 * REORDER_US) == []


def test_a_message_that_stays_missing_leads_to_a_rebirth() -> None:
    plant = Plant()
    plant.born()
    plant.send("DDATA", 2, by_alias(40.0), device="ae1")
    found = plant.send("DDATA", 4, by_alias(41.0), device="ae1")
    assert found.batch.value.tolist() == [41.0], "what came is used all the same"
    assert plant.asks(REORDER_US - 1) == []
    assert plant.asks(1) == [NODE]


def test_how_long_is_waited_is_a_setting() -> None:
    """The host must let its reorder timeout be set (chapter 5)."""
    plant = Plant(reorder_s=60.0)
    plant.born()
    for seq in (2, 4):
        plant.send("DDATA", seq, by_alias(40.0), device="ae1")
    assert plant.asks(59_000_000) == []
    assert plant.asks(1_000_000) == [NODE]


def test_sequence_numbers_wrap_from_255_to_0() -> None:
    plant = Plant()
    plant.born(seq=253)
    for seq in (255, 0, 1):
        plant.send("DDATA", seq, by_alias(40.0), device="ae1")
    assert plant.asks(2 * REORDER_US) == []


def test_a_death_of_an_older_connection_is_not_believed() -> None:
    plant = Plant()
    plant.born(bd_seq=3)
    plant.send("NDEATH", None, {"name": "bdSeq", "datatype": INT64, "long_value": 2})
    assert plant.decoder.edge_nodes() == (1, 0)
    plant.send("NDEATH", None, {"name": "bdSeq", "datatype": UINT64, "long_value": 3})
    assert plant.decoder.edge_nodes() == (0, 1)


def test_a_new_birth_may_give_an_alias_another_meaning() -> None:
    plant = Plant((LEVEL, "north/gw1/ae2/level"))
    plant.born()
    plant.send("NBIRTH", 0, {"name": "bdSeq", "datatype": INT64, "long_value": 1})
    plant.send("DBIRTH", 1, level(20.0, alias=7), device="ae2")
    found = plant.send("DDATA", 2, by_alias(33.0), device="ae2")
    assert found.batch.series.tolist() == [1]


def test_our_own_state_marks_a_new_connection_and_nothing_is_believed_any_more() -> None:
    plant = Plant()
    plant.born()
    state = json.dumps({"online": True, "timestamp": MS}).encode()
    plant.raw("spBv1.0/STATE/another-host", state)
    assert plant.decoder.edge_nodes() == (1, 0)
    assert plant.raw("spBv1.0/STATE/hissmark-north", state).rejects == []
    assert reasons(plant.send("DDATA", 2, by_alias(40.0), device="ae1")) == ["not-born"]


@pytest.mark.parametrize(
    ("metric", "reason"),
    [
        (level(40.0, properties={"Quality": 0}), "bad-quality"),
        (level(40.0, properties={"Quality": 500}), "bad-quality"),
        ({"name": "level", "datatype": DOUBLE, "is_null": True}, "missing-value"),
        ({"name": "level", "datatype": STRING, "string_value": "loud"}, "wrong-type"),
        (level(float("nan")), "not-finite"),
        (level(40.0, timestamp=1), "bad-time"),
    ],
)
def test_values_that_cannot_be_used(metric: dict[str, Any], reason: str) -> None:
    plant = Plant()
    plant.born()
    found = plant.send("DDATA", 2, metric, device="ae1")
    assert (reasons(found), len(found.batch)) == ([reason], 0)


def test_good_quality_and_historical_values_are_taken() -> None:
    plant = Plant()
    plant.born()
    found = plant.send(
        "DDATA", 2, by_alias(40.0, properties={"Quality": 192}),
        by_alias(39.0, is_historical=True, timestamp=MS - 60_000), by_alias(1.0, is_transient=True),
        device="ae1",
    )  # fmt: skip
    assert found.batch.value.tolist() == [40.0, 39.0]


@pytest.mark.parametrize(
    ("datatype", "field", "sent", "number"),
    [
        (INT8, "int_value", 0xFF, -1.0),
        (INT8, "int_value", 0xFFFFFFFF, -1.0),
        (INT16, "int_value", 0x8000, -32768.0),
        (INT32, "int_value", 0xFFFFFFFE, -2.0),
        (INT64, "long_value", 2**64 - 5, -5.0),
        (UINT8, "int_value", 255, 255.0),
        (UINT64, "long_value", 2**63, 2.0**63),
        (FLOAT, "float_value", 12.5, 12.5),
        (BOOLEAN, "boolean_value", True, 1.0),
        (STRING, "string_value", "x", None),
    ],
)
def test_every_numeric_type(datatype: int, field: str, sent: object, number: float | None) -> None:
    """Two's complement after 6.4.16; short integers come sign-extended to 32 bits or not."""
    metric = Payload().metrics.add(datatype=datatype, **{field: sent})
    assert number_of(metric, datatype) == number


@pytest.mark.parametrize(
    "topic",
    [
        "spBv1.0/north/NDATA",
        "spBv1.0/north/DDATA/gw1",
        "spBv1.0/north/NDATA/gw1/ae1",
        "spAv1.0/north/NDATA/gw1",
    ],
)
def test_topics_that_are_none(topic: str) -> None:
    assert parse_topic(topic) is None


def test_bytes_that_are_no_payload() -> None:
    assert reasons(Plant().raw("spBv1.0/north/NDATA/gw1", b"\xff\xff\xff")) == ["not-protobuf"]


def test_unknown_metrics_are_listed_and_control_metrics_are_not() -> None:
    plant = Plant()
    plant.born()
    found = plant.send(
        "NDATA", 2, {"name": "Node Control/Reboot", "datatype": BOOLEAN, "boolean_value": False},
        {"name": "humidity", "datatype": FLOAT, "float_value": 40.0, "timestamp": MS},
    )  # fmt: skip
    assert list(found.unknown) == ["north/gw1/humidity"]
