"""Verdicts and rises out over MQTT: what a subscriber and an independent Sparkplug host see.

Sources: RFC 8428 (SenML), Sparkplug Specification 3.0.0 chapters 4 to 6.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource
from hissmark.decode.sparkplug_payload import Payload
from hissmark.ingest.settings import MqttSettings
from hissmark.outgoing.edge import Edge
from hissmark.outgoing.messages import senml_name, topic_level
from hissmark.outgoing.missed import Missed
from hissmark.outgoing.node import EdgeNode
from hissmark.outgoing.plain import Plain
from hissmark.outgoing.primary import PrimaryHost
from hissmark.outgoing.publisher import Publisher, Voice
from hissmark.site.load import check_site
from support.broker import Broker
from support.invented import PASSING, QUIET, START_US, Invented, invented
from support.service import until, write_site

pytestmark = pytest.mark.broker

GROUP = "Steam header B"
NAME = ("works", "hissmark")
NODE = "spBv1.0/works/{}/hissmark"


class Ear:
    """A subscriber of its own to everything under a filter."""

    def __init__(self, broker: Broker, wanted: str) -> None:
        self.heard: list[Message] = []
        self.qos: dict[str, int] = {}
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._take
        self._client.connect(broker.host, broker.port)
        self._client.subscribe(wanted, qos=1)
        self._client.loop_start()

    def _take(self, _client: object, _data: object, m: mqtt.MQTTMessage) -> None:
        self.qos[m.topic] = m.qos
        self.heard.append(Message(m.topic, bytes(m.payload), time.time_ns() // 1000, m.retain))

    def on(self, topic: str) -> list[Message]:
        return [m for m in self.heard if m.topic == topic]

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {GROUP: 5}) as made:
        made.hear([c.source for c in made.layout.channels])
        made.tick({GROUP: QUIET})
        yield made


@contextmanager
def publishing(plant: Invented, broker: Broker, voice: Voice | None = None) -> Iterator[Voice]:
    told = voice or Plain("hissmark/north", plant.live, valves=True, senml=True)
    publisher = Publisher(MqttSettings(broker.host, "hissmark-test", (), port=broker.port), told)
    publisher.start()
    try:
        yield told
    finally:
        publisher.stop()


@contextmanager
def listening(broker: Broker, wanted: str = "#") -> Iterator[Ear]:
    ear = Ear(broker, wanted)
    try:
        yield ear
    finally:
        ear.close()


def test_a_valve_is_one_retained_object_with_its_alarms(plant: Invented, broker: Broker) -> None:
    topic = "hissmark/north/valve/XV-103"
    with publishing(plant, broker):
        plant.tick({GROUP: PASSING}, plant.clock.at_us + 60_000_000)
        plant.raise_alarm("XV-103")
        with listening(broker) as late:  # comes when everything has been said

            def told() -> Any:
                rows = [json.loads(m.payload) for m in late.on(topic)]
                return rows[-1] if rows and rows[-1]["alarms"] else None

            found = until(told, "the valve's object")
    assert (found["verdict"], found["source"], found["rise_db"]) == ("passing", "XV-103", 14.2)
    assert [(a["alarm"], a["state"]) for a in found["alarms"]] == [("passing", "unacknowledged")]
    assert "XV-103 is passing" in found["alarms"][0]["sentence"]


def test_senml_packs_are_read_by_our_own_decoder(plant: Invented, broker: Broker) -> None:
    """RFC 8428: base name, base time and base unit resolve to full records."""
    with listening(broker, "hissmark/north/senml/#") as ear, publishing(plant, broker):
        (pack,) = until(lambda: ear.heard[:1], "a pack")
    assert pack.topic == "hissmark/north/senml/Steam header B"
    name = "hissmark/north/AS-101/rise"
    known = {name: 0}
    found = Decoder([MqttSource("hissmark/#")], known, None, (name,)).decode([pack], pack.received_us)
    assert found.batch.value.tolist() == [pytest.approx(0.1)]
    assert found.batch.time_us.tolist() == [plant.clock.at_us]
    assert {u.rpartition("/")[2] for u in found.unknown} == {"level", "baseline", "rise"}


def test_who_vanishes_is_told_offline_by_the_broker(plant: Invented, broker: Broker) -> None:
    def states(ear: Ear) -> list[bool]:
        return [json.loads(m.payload)["online"] for m in ear.on("hissmark/north/status")]

    with listening(broker) as ear:
        with publishing(plant, broker):
            until(lambda: states(ear) == [True], "online")
        until(lambda: states(ear) == [True, False], "offline after a clean end")


def test_it_begins_anew_when_the_broker_is_back(plant: Invented, broker: Broker) -> None:
    plain = Plain("hissmark/north", plant.live, valves=True, senml=True)
    with publishing(plant, broker, plain):
        until(lambda: plain.has_told, "the first round")
        broker.kill()
        broker.start()
        with listening(broker) as ear:
            until(lambda: ear.on("hissmark/north/valve/XV-101"), "everything is told again", 60)


# --- Sparkplug ---


def test_a_host_understands_birth_and_data_and_may_ask_for_a_rebirth(plant: Invented, broker: Broker) -> None:
    """The host is our own decoder (tested against the specification); names and values come out right."""
    name = f"works/hissmark/{GROUP}/XV-103/Rise"
    host = Decoder([MqttSource("spBv1.0/#", format="sparkplug")], {name: 0}, None, (name,), "host")

    def values(ear: Ear) -> list[float]:
        fresh, ear.heard = ear.heard, []
        got.extend(host.decode(fresh, time.time_ns() // 1000).batch.value.tolist())
        return got

    got: list[float] = []
    with listening(broker, "spBv1.0/#") as ear:
        with publishing(plant, broker, EdgeNode(NAME, plant.live)):
            until(lambda: values(ear) == [pytest.approx(-0.3)], "the birth's value")
            plant.tick({GROUP: PASSING}, plant.clock.at_us + 60_000_000)
            until(lambda: values(ear) == [pytest.approx(-0.3), pytest.approx(14.2)], "data by alias")
            assert host.rebirths(time.time_ns() // 1000 + 60_000_000) == []
            command = Payload(timestamp=1)
            command.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
            ear.publish(NODE.format("NCMD"), command.SerializeToString())
            until(lambda: values(ear)[2:] == [pytest.approx(14.2)], "the birth that was asked for")
        until(lambda: values(ear) is not None and host.edge_nodes() == (0, 1), "its death")


def test_births_and_data_follow_the_rules_of_the_specification(plant: Invented, broker: Broker) -> None:
    """Birth: seq 0, bdSeq, Rebirth without alias. Data: seq counts on, aliases only. Nothing retained."""

    with listening(broker, "spBv1.0/#") as ear, publishing(plant, broker, EdgeNode(NAME, plant.live)):
        until(lambda: ear.on(NODE.format("NBIRTH")), "the birth")
        for minute in (1, 2):
            plant.tick({GROUP: PASSING}, plant.clock.at_us + minute * 60_000_000)
            until(lambda n=minute: len(ear.on(NODE.format("NDATA"))) == n, "data")
    birth = read(ear.on(NODE.format("NBIRTH"))[0])
    control = {m.name: m for m in birth.metrics if not m.HasField("alias")}
    assert set(control) == {"bdSeq", "Node Control/Rebirth"}
    assert (birth.seq, control["bdSeq"].long_value, control["Node Control/Rebirth"].boolean_value) == (
        0,
        0,
        False,
    )
    aliases = [m.alias for m in birth.metrics if m.HasField("alias")]
    assert len(aliases) == len(set(aliases))
    data = [read(m) for m in ear.on(NODE.format("NDATA"))]
    assert [d.seq for d in data] == [1, 2]
    assert all(m.HasField("alias") and not m.HasField("name") for d in data for m in d.metrics)
    assert {m.alias for d in data for m in d.metrics} == set(aliases)
    assert not any(m.retained for m in ear.heard)


@pytest.mark.parametrize(
    ("name", "topic", "senml"),
    [("XV-1", "XV-1", "XV-1"), ("A/B+#", "A%2FB%2B%23", "A/B__"), ("Tür 1", "Tür 1", "T_r_1")],
)
def test_names_that_topics_and_senml_do_not_allow(name: str, topic: str, senml: str) -> None:
    assert (topic_level(name), senml_name(name)) == (topic, senml)


def test_check_finds_a_source_that_would_read_what_we_publish(tmp_path: Path, broker: Broker) -> None:
    register = [{"channel": "AX-1", "kind": "valve", "valve": "XV-1", "group": "header", "position": 0}]
    folder = write_site(
        tmp_path / "site", broker, register, sources=[{"filter": "hissmark/#", "format": "senml"}],
        tables={"publish": {"enabled": True}},
    )  # fmt: skip
    (problem, *_) = check_site(folder)
    assert problem.field == "mqtt.source.filter"
    assert "we would read what we publish" in problem.message


# --- a primary host ---

HOST = "spBv1.0/STATE/historian"


def state(ear: Ear, *, online: bool, at_ms: int) -> None:
    text = json.dumps({"online": online, "timestamp": at_ms})
    ear.publish(HOST, text.encode(), retain=True)


def read(message: Message) -> Any:
    made = Payload()
    made.ParseFromString(message.payload)
    return made


def test_nothing_is_told_until_the_primary_host_is_online_and_death_comes_when_it_goes(
    plant: Invented, broker: Broker, tmp_path: Path
) -> None:
    """Chapter 5: wait for STATE online; on offline NDEATH, disconnect, wait anew. Old news do not count."""
    missed = Missed(plant.reader, tmp_path / "told.json")
    node = EdgeNode(NAME, plant.live, PrimaryHost("historian"), missed)
    with listening(broker, "spBv1.0/works/#") as ear, publishing(plant, broker, node):
        state(ear, online=False, at_ms=500)
        state(ear, online=True, at_ms=1000)
        until(lambda: ear.on(NODE.format("NBIRTH")), "the birth")
        state(ear, online=False, at_ms=999)
        plant.tick({GROUP: PASSING}, plant.clock.at_us + 60_000_000)
        until(lambda: ear.on(NODE.format("NDATA")), "data: what is older than the newest is not believed")
        state(ear, online=False, at_ms=2000)
        (death,) = until(lambda: ear.on(NODE.format("NDEATH")), "the death")
        assert [m.long_value for m in read(death).metrics] == [0]
        born = len(ear.on(NODE.format("NBIRTH")))
        data = len(ear.on(NODE.format("NDATA")))
        for minute in range(2, 32):
            plant.tick({GROUP: PASSING}, plant.clock.at_us + minute * 60_000_000)
        plant.clock.at_us += 32 * 60_000_000
        state(ear, online=True, at_ms=3000)
        until(lambda: len(ear.on(NODE.format("NBIRTH"))) > born, "it is born again")
        again = read(ear.on(NODE.format("NBIRTH"))[-1])
        assert next(m.long_value for m in again.metrics if m.name == "bdSeq") >= 1
        past = until(lambda: ear.on(NODE.format("NDATA"))[data:], "what was missed")
        check_past(again, [read(m) for m in past])


def check_past(birth: Any, past: list[Any]) -> None:
    """Every tick that was missed, with its own time and marked as historical; the birth has the newest."""
    rise = next(m.alias for m in birth.metrics if m.name == f"{GROUP}/XV-103/Rise")
    metrics = [m for payload in past for m in payload.metrics]
    assert all(m.is_historical and m.HasField("timestamp") for m in metrics)
    minutes = [(m.timestamp - START_US // 1000) // 60_000 for m in metrics if m.alias == rise]
    assert set(range(2, 31)) <= set(minutes)
    assert minutes == sorted(minutes)
    assert [payload.seq for payload in past] == list(range(1, len(past) + 1))


def test_what_a_primary_host_missed_outlives_a_restart(
    plant: Invented, broker: Broker, tmp_path: Path
) -> None:
    """The note of what was told is a file; a service that was killed meanwhile goes on from there."""
    note = tmp_path / "told.json"

    def node() -> EdgeNode:
        return EdgeNode(NAME, plant.live, PrimaryHost("historian"), Missed(plant.reader, note))

    with listening(broker, "spBv1.0/works/#") as ear:
        with publishing(plant, broker, node()):
            state(ear, online=True, at_ms=1000)
            until(lambda: ear.on(NODE.format("NBIRTH")), "the birth")
        for minute in range(1, 12):
            plant.tick({GROUP: PASSING}, plant.clock.at_us + minute * 60_000_000)
        with publishing(plant, broker, node()):
            past = until(lambda: ear.on(NODE.format("NDATA")), "what was missed")
    times = {m.timestamp for p in past for m in read(p).metrics if m.is_historical}
    first_ms = START_US // 1000
    assert {first_ms + k * 60_000 for k in range(1, 11)} <= times


def test_an_edge_node_keeps_the_rules_of_a_connection(plant: Invented, broker: Broker) -> None:
    """Chapters 4 to 6: QoS of births, data and wills; bdSeq and seq; commands heard from the birth on."""
    births, data, deaths = (NODE.format(kind) for kind in ("NBIRTH", "NDATA", "NDEATH"))
    with listening(broker, "spBv1.0/works/#") as ear:
        with publishing(plant, broker, EdgeNode(NAME, plant.live)):
            until(lambda: ear.on(births), "the birth")
            command = Payload(timestamp=1)
            command.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
            ear.publish(NODE.format("NCMD"), command.SerializeToString())
            until(lambda: len(ear.on(births)) == 2, "the birth that was asked for")
            first, again = (read(m) for m in ear.on(births)[:2])
            assert bd_seqs(first) == bd_seqs(again) == [0]
            assert (first.seq, again.seq) == (0, 0)
            usurper = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "hissmark-test-node")
            usurper.connect(broker.host, broker.port)  # the broker ends ours: its will is told
            usurper.loop_start()
            (will,) = until(lambda: ear.on(deaths), "the will")
            usurper.disconnect()
            usurper.loop_stop()
            assert bd_seqs(read(will)) == [0]
            until(lambda: bd_seqs(read(ear.on(births)[-1])) != [0], "the birth on another connection")
            plant.tick({GROUP: PASSING}, plant.clock.at_us + 60_000_000)
            until(lambda: ear.on(data), "data")
            latest = bd_seqs(read(ear.on(births)[-1]))
        until(lambda: len(ear.on(deaths)) > 1, "its death when it leaves")
    assert bd_seqs(read(ear.on(deaths)[-1])) == latest
    assert not any(read(m).HasField("seq") for m in ear.on(deaths))
    assert (ear.qos[births], ear.qos[data], ear.qos[deaths]) == (0, 0, 1)
    assert not any(m.retained for m in ear.heard)


def bd_seqs(payload: Any) -> list[int]:
    return [m.long_value for m in payload.metrics if m.name == "bdSeq"]


def test_seq_goes_from_255_to_0(plant: Invented) -> None:
    """Over 300 messages; a birth begins anew at 0."""
    ours, (reading,) = Edge(*NAME, bd_seq=0), plant.live.live_readings([GROUP])
    made = [ours.birth([reading], 1), *(ours.data(reading, k) for k in range(300)), ours.birth([reading], 1)]
    seqs = []
    for raw in made:
        payload = Payload()
        payload.ParseFromString(raw)
        seqs.append(payload.seq)
    assert seqs == [k % 256 for k in range(301)] + [0]


def test_quality_is_told_with_every_value(plant: Invented) -> None:
    """6.4.13: the property `Quality` is an Int32, 192 (good) or 500 (stale), also when it is good again."""
    ours, (reading,) = Edge(*NAME, bd_seq=0), plant.live.live_readings([GROUP])

    def qualities(raw: bytes | None) -> set[tuple[str, int, int]]:
        made = Payload()
        made.ParseFromString(raw or b"")
        found = [m.properties for m in made.metrics if m.name not in ("bdSeq", "Node Control/Rebirth")]
        return {(p.keys[0], p.values[0].type, p.values[0].int_value) for p in found}

    assert qualities(ours.birth([reading], 1)) == {("Quality", 3, 192)}
    assert qualities(ours.data({**reading, "fresh": False}, 2)) == {("Quality", 3, 500)}
    assert qualities(ours.data(reading, 3)) == {("Quality", 3, 192)}
