"""The embedded broker and the gateway: real MQTT between them, nothing left running."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from hissmark.demo.broker import EmbeddedBroker
from hissmark.demo.folder import TOPICS, write_site
from hissmark.demo.plant import Plant
from hissmark.demo.publisher import Publisher
from hissmark.demo.senml import MAX_RECORDS, Packer
from hissmark.demo.story import S
from hissmark.site.load import check_site, load_site

LIVE_US = 1_790_000_000 * S


def resolved(payloads: list[bytes]) -> list[tuple[str, int, float]]:
    """(name, µs, value) of packs by the rules of RFC 8428, section 4 (base time added to each time)."""
    found = []
    for payload in payloads:
        base = 0
        for record in json.loads(payload):
            base = record.get("bt", base)
            found.append((record["n"], round((base + record.get("t", 0)) * 1e6), record["v"]))
    return sorted(found)


def expected(plant: Plant, from_us: int, to_us: int) -> list[tuple[str, int, float]]:
    batch = plant.samples(from_us, to_us)
    rows = zip(batch.series.tolist(), batch.time_us.tolist(), batch.value.tolist(), strict=True)
    return sorted((plant.names[s], t, v) for s, t, v in rows)


def test_packs_say_what_the_plant_says() -> None:
    plant = Plant(1)
    batch = plant.samples(LIVE_US, LIVE_US + 3600 * S)
    packs = list(Packer(plant).packs(batch))
    assert resolved([p for _, p in packs]) == expected(plant, LIVE_US, LIVE_US + 3600 * S)
    assert {len(t.split("/")) for t, _ in packs} == {3}
    assert max(len(json.loads(p)) for _, p in packs) == MAX_RECORDS


def test_the_site_folder_passes_its_own_check(tmp_path: Path) -> None:
    write_site(tmp_path, 1883, 8470)
    assert check_site(tmp_path) == []
    site = load_site(tmp_path)
    assert len(site.register.valves) == 30
    published = set(Plant(1).names)
    heard = {c.source for c in site.register.channels} | set(site.register.process_tags)
    assert heard - published == {"AE-506"}  # this sensor sends its percentiles only
    assert {rule.when.split()[0] for rule in site.core.conditions} <= published


@pytest.fixture
def broker() -> EmbeddedBroker:
    broker = EmbeddedBroker()
    broker.start()
    yield broker
    broker.stop()


def listener(port: int, received: list[bytes]) -> mqtt.Client:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="listener", protocol=mqtt.MQTTv311)
    client.on_message = lambda _client, _data, message: received.append(message.payload)
    granted = threading.Event()
    client.on_subscribe = lambda *_: granted.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe(f"{TOPICS}/#", qos=1)
    assert granted.wait(5)
    return client


def test_everything_the_gateway_publishes_arrives_once(broker: EmbeddedBroker) -> None:
    """Four rounds at sixty times the speed, QoS 1: the listener has every sample, none twice."""
    received: list[bytes] = []
    client = listener(broker.port, received)
    begun = time.monotonic()
    plant = Plant(1)
    publisher = Publisher(plant, lambda: LIVE_US + int((time.monotonic() - begun) * 60 * S), broker.port)
    publisher.start()
    from_us = publisher.published_us
    time.sleep(2.2)
    publisher.stop()
    wanted = expected(plant, from_us, publisher.published_us)
    deadline = time.monotonic() + 5
    while len(resolved(list(received))) < len(wanted) and time.monotonic() < deadline:
        time.sleep(0.05)
    client.disconnect()
    client.loop_stop()
    assert len(wanted) > 500
    assert resolved(received) == wanted


def test_it_stops_and_leaves_no_thread_behind() -> None:
    before = threading.active_count()
    broker = EmbeddedBroker()
    port = broker.start()
    assert 1024 <= port <= 65535
    broker.stop()
    broker.stop()
    assert threading.active_count() == before


def test_two_brokers_do_not_get_in_each_others_way() -> None:
    one, other = EmbeddedBroker(), EmbeddedBroker()
    assert one.start() != other.start()
    one.stop()
    other.stop()
