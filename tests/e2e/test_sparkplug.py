"""`hissmark run` as Sparkplug host application beside an edge node by another hand (pysparkplug)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from support import edge_node
from support.broker import Broker
from support.service import Service, until, write_site

pytestmark = pytest.mark.broker

PEER = ("pysparkplug==0.6.1", "paho-mqtt<2")
NAME = "north/gw1/ae1/level"
REGISTER = [
    {"channel": "AX-1", "source": NAME, "kind": "valve", "valve": "XV-1", "group": "header", "position": 0}
]
SOURCES = [{"filter": "spBv1.0/north/#", "format": "sparkplug"}]
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
def states(broker: Broker) -> Iterator[list[bool]]:
    """What the host says of itself, as any edge node sees it."""
    heard: list[bool] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, m: heard.append(json.loads(m.payload)["online"])
    client.connect(broker.host, broker.port)
    client.subscribe(STATE, qos=1)
    client.loop_start()
    try:
        yield heard
    finally:
        client.loop_stop()


def started(folder: Path, broker: Broker) -> Service:
    own = {"sparkplug_host": "hissmark-north"}
    site = write_site(folder / "site", broker, REGISTER, sources=SOURCES, mqtt=own)
    return Service(site).start(connected=False)


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
