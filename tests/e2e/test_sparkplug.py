"""`hissmark run` as Sparkplug host application beside an edge node by another hand (pysparkplug)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from hissmark.outgoing.edge import Edge
from support import edge_node, sparkplug_reader
from support.broker import Broker
from support.manual import blocks
from support.service import Service, until, write_site

pytestmark = pytest.mark.broker

PEER = ("pysparkplug==0.6.1", "paho-mqtt<2")
NAME = "north/gw1/ae1/level"
REGISTER = [
    {"channel": "AX-1", "source": NAME, "kind": "valve", "valve": "XV-1", "group": "header", "position": 0}
]
STATE = "spBv1.0/STATE/hissmark-north"


@pytest.fixture(scope="module")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with pysparkplug and the paho it wants."""
    folder = tmp_path_factory.mktemp("peer")
    got = subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--target", str(folder), *PEER],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    if got.returncode != 0:
        pytest.skip(f"pysparkplug cannot be fetched: {got.stderr[-200:]}")
    return folder


class Node:
    """The edge node's process."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self.said: list[str] = []

    def tell(self, line: str, answer: str) -> None:
        """Send a line and wait for what it says to it."""
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        self.hear(answer)

    def hear(self, wanted: str) -> None:
        """Read until it says `wanted`."""
        assert self._process.stdout is not None
        while True:
            line = self._process.stdout.readline()
            assert line, "the edge node has ended"
            self.said.append(line.strip())
            if line.strip() == wanted:
                return


@contextmanager
def edge(peer: Path, broker: Broker) -> Iterator[Node]:
    command = [sys.executable, edge_node.__file__, broker.host, str(broker.port), "north", "gw1", "ae1"]
    with subprocess.Popen(
        command, env=os.environ | {"PYTHONPATH": str(peer)}, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    ) as process:  # fmt: skip
        try:
            node = Node(process)
            node.hear("born")
            yield node
        finally:
            process.kill()


@contextmanager
def states(broker: Broker, whole: list[dict[str, Any]] | None = None) -> Iterator[list[bool]]:
    """What the host says of itself, as any edge node sees it; `whole` gets all of it with its QoS."""
    heard: list[bool] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)

    def take(_c: object, _d: object, message: mqtt.MQTTMessage) -> None:
        said = json.loads(message.payload)
        heard.append(said["online"])
        if whole is not None:
            whole.append({**said, "qos": message.qos})

    client.on_message = take
    client.connect(broker.host, broker.port)
    client.subscribe(STATE, qos=1)
    client.loop_start()
    try:
        yield heard
    finally:
        client.loop_stop()


def site_of(folder: Path, broker: Broker, *tables: str) -> Path:
    """A site with the settings of the page on Sparkplug as they stand there, but for the ports."""
    site = write_site(folder / "site", broker, REGISTER, sources=())
    (reading, _) = blocks("sparkplug.md", "toml")
    own = f"port = {broker.port}\nclient_id"
    name, _, rest = (site / "site.toml").read_text().partition("[mqtt]")
    rest = "[http]" + rest.partition("[http]")[2]
    (site / "site.toml").write_text("\n".join([name, reading.replace("client_id", own), rest, *tables]))
    return site


def started(folder: Path, broker: Broker) -> Service:
    return Service(site_of(folder, broker)).start(connected=False)


def levels(service: Service) -> list[float]:
    return service.samples().get(NAME, ([], []))[1]


def test_births_and_data_of_an_independent_edge_node_are_stored(
    tmp_path: Path, broker: Broker, peer: Path
) -> None:
    with started(tmp_path, broker) as service, states(broker) as told:
        until(lambda: told and told[-1], "the host says it is online")
        with edge(peer, broker) as node:
            node.tell("send 31.5 32.5 33.5", "sent")
            until(lambda: levels(service) == [20.0, 31.5, 32.5, 33.5], "birth and data are stored")
            assert "asked" not in node.said
            unknown = service.get("/api/v1/unknown-names")["names"]
            assert [row["name"] for row in unknown] == ["north/gw1/temp"]
            assert service.metric('hissmark_sparkplug_nodes{state="born"}') == 1
        until(
            lambda: service.metric('hissmark_sparkplug_nodes{state="not born"}') == 1,
            "its will tells its death",
        )
        service.kill()
        until(lambda: not told[-1], "our will tells edge nodes that we are gone")


def test_a_node_that_was_born_before_us_is_asked_for_its_birth(
    tmp_path: Path, broker: Broker, peer: Path
) -> None:
    with edge(peer, broker) as node, started(tmp_path, broker) as service:
        until(lambda: service.logged("online as Sparkplug host"), "the host is online")
        node.tell("send 31.5", "sent")
        node.hear("asked")
        assert service.stored() == 0
        node.tell("again 32.5", "sent")
        until(lambda: 32.5 in levels(service), "after its birth it is understood")
        assert service.metric("hissmark_sparkplug_rebirths_total") == 1
        assert service.metric('hissmark_rejects_total{reason="not-born"}') >= 1


def test_broker_restart_begins_anew(tmp_path: Path, broker: Broker, peer: Path) -> None:
    with started(tmp_path, broker) as service:
        broker.kill()
        broker.start()
        service.wait_for("online as Sparkplug host", times=2)
        with edge(peer, broker) as node:
            node.tell("send 31.5", "sent")
            until(lambda: levels(service) == [20.0, 31.5], "birth and data are stored")


def test_the_state_of_a_host_keeps_the_rules(tmp_path: Path, broker: Broker) -> None:
    """Chapters 4 and 5: QoS 1, retained; the will carries the time of the birth, a clean end its own."""
    whole: list[dict[str, Any]] = []
    with states(broker, whole) as told, started(tmp_path, broker) as service:
        until(lambda: told == [True], "it is online")
        service.kill()
        until(lambda: told == [True, False], "its will")
        assert whole[1]["timestamp"] == whole[0]["timestamp"]
        service.start(connected=False)
        until(lambda: told[-1], "it is online again")
        assert service.stop() == 0
        until(lambda: not told[-1], "it says goodbye")
    assert whole[-1]["timestamp"] > whole[-2]["timestamp"] > whole[0]["timestamp"]
    assert {row["qos"] for row in whole} == {1}
    with states(broker, late := []):
        until(lambda: late, "what is retained")
    assert late[0] == whole[-1]


def test_an_independent_host_reads_our_births_and_data(tmp_path: Path, broker: Broker, peer: Path) -> None:
    """The payloads of our edge node, decoded by the peer: names, types, values, what is historical."""
    now_ms, reading = 1_772_331_300_000, live_reading()
    ours = Edge("works", "hissmark-north", bd_seq=3)
    birth, death = ours.birth([reading], now_ms), ours.death(now_ms)
    data = ours.data(reading, now_ms)
    past = ours.past([("header/XV-1/Rise", now_ms - 60_000, 7.5)], now_ms)
    assert data is not None
    sent = (("NBirth", birth), ("NData", data), ("NData", past), ("NDeath", death))
    lines = [f"{kind} {raw.hex()}" for kind, raw in sent]
    found = subprocess.run(
        [sys.executable, sparkplug_reader.__file__], env=os.environ | {"PYTHONPATH": str(peer)}, text=True,
        input="\n".join(lines), capture_output=True, timeout=60,
    )  # fmt: skip
    assert found.returncode == 0, found.stderr
    born, told, missed, died = (json.loads(line) for line in found.stdout.splitlines())
    metrics = {row["name"]: row for row in born["metrics"]}
    assert born["seq"] == 0
    assert metrics["bdSeq"]["value"] == 3
    assert metrics["Node Control/Rebirth"] == {
        "name": "Node Control/Rebirth", "type": "BOOLEAN", "value": False, "alias": None, "historical": False,
    }  # fmt: skip
    names = {f"header/XV-1/{name}" for name in ("Level", "Baseline", "Rise", "Verdict")}
    assert names <= set(metrics)
    level, verdict = metrics["header/XV-1/Level"], metrics["header/XV-1/Verdict"]
    assert (level["type"], level["value"]) == ("DOUBLE", 37.2)
    assert (verdict["type"], verdict["value"]) == ("STRING", "passing")
    assert metrics["header/XV-1/Baseline"]["value"] is None  # not known
    assert told["seq"] == 1
    assert {row["name"]: row["value"] for row in told["metrics"]}["header/XV-1/Rise"] == 14.2
    (row,) = missed["metrics"]
    assert (missed["seq"], row["name"], row["value"], row["historical"]) == (2, "header/XV-1/Rise", 7.5, True)
    assert died == {"bd_seq": 3}


def live_reading() -> Any:
    channel = {"channel": "AX-1", "valve": "XV-1", "level_db": 37.2, "baseline_db": None, "rise_db": 14.2,
               "verdict": "passing"}  # fmt: skip
    return {"group": "header", "at": "2026-03-01T02:14:00Z", "fresh": True, "channels": [channel]}
