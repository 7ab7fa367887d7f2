"""The examples of the pages on connecting, as they stand there, against a service and brokers that are real.

And a service that is killed in the middle of publishing: every line of the journal arrives, and what is
retained is right again after the restart.
"""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from support.broker import Broker, free_port
from support.manual import blocks
from support.publish import Gateway, Sent, senml_pack
from support.service import Service, journal, until

pytestmark = pytest.mark.broker

MINUTE_US = 60_000_000
GROUP = "flare-knockout"
CHANNELS = ("AX-201", "AX-202", "AX-203", "AX-204")
QUIET, LEAK = (30.0, 30.0, 30.0, 30.0), (40.0, 46.0, 55.0, 46.0)
HEAD = "channel,kind,valve,group,position"


def north(folder: Path, broker: Broker, opcua_port: int) -> Path:
    """The site of the pages: their settings one below the other, ports of our own, a short time to learn."""
    folder.mkdir()
    rows = [f"{c},valve,{c.replace('AX', 'XV')},{GROUP},{i}" for i, c in enumerate(CHANNELS)]
    (folder / "register.csv").write_text("\n".join([HEAD, *rows, ""]))
    (first, *_) = blocks("site-folder.md", "toml")
    publish, events = blocks("mqtt-out.md", "toml")
    (opcua,) = blocks("opcua.md", "toml")
    own = f'[http]\nport = {free_port()}\n[log]\nformat = "json"\n'
    own += "[baseline]\nlearn_s = 3600\nlearn_windows = 5\n"
    text = "\n".join([first, publish, opcua, events, own])
    text = text.replace(
        'host = "127.0.0.1"\nclient_id', f'host = "127.0.0.1"\nport = {broker.port}\nclient_id'
    )
    text = text.replace("4840", str(opcua_port))
    text = text.replace("[opcua]", "[opcua]\nunencrypted = true  # for a first try on this machine")
    (folder / "site.toml").write_text(text)
    return folder


def packs(from_us: int, minutes: int, levels: tuple[float, ...], seed: int) -> list[Sent]:
    """A pack a minute, six samples a channel."""
    rng = np.random.default_rng(seed)
    sent = []
    for m in range(minutes):
        rows = [
            (c, from_us + m * MINUTE_US + i * 10_000_000, level + rng.normal(0, 0.4), "dB")
            for c, level in zip(CHANNELS, levels, strict=True)
            for i in range(6)
        ]
        sent.append(("plant/a/levels", senml_pack(sorted(rows, key=lambda r: r[1]))))
    return sent


class Ear:
    """A `mosquitto_sub` of the pages: topic -> what came, oldest first."""

    def __init__(self, command: str, broker: Broker) -> None:
        words = [str(broker.port) if word == "1883" else word for word in shlex.split(command)]
        self._process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        self.heard: dict[str, list[Any]] = {}
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            topic, payload = re.match(r"(.*?) (?=[\[{])(.*)", line).groups()  # type: ignore[union-attr]
            self.heard.setdefault(topic, []).append(json.loads(payload))

    def newest(self, topic: str) -> Any:
        return self.heard.get(topic, [None])[-1]

    def close(self) -> None:
        self._process.terminate()
        self._process.wait()


@contextmanager
def listening(command: str, broker: Broker) -> Iterator[Ear]:
    ear = Ear(command, broker)
    try:
        yield ear
    finally:
        ear.close()


def events(ear: Ear) -> list[dict[str, Any]]:
    """Alarm events, whatever their topic."""
    return [m for topic, rows in list(ear.heard.items()) if "/events/" in topic for m in rows]


def told(ear: Ear) -> set[int]:
    return {m["entry"]["seq"] for m in events(ear)}


def on_record(folder: Path) -> set[int]:
    return {row["seq"] for row in journal(folder)}


def test_the_examples_on_connecting_work_and_a_kill_loses_nothing(tmp_path: Path, broker: Broker) -> None:
    opcua_port = free_port()
    folder = north(tmp_path / "north", broker, opcua_port)
    everything, alarms = blocks("mqtt-out.md", "sh")
    start_us = (time.time_ns() // 1000 // MINUTE_US - 260) * MINUTE_US
    gateway = Gateway(broker)
    with listening(alarms, broker) as keeper, Service(folder) as service:
        service.start()
        gateway.send(packs(start_us, 110, QUIET, 1))
        with gateway.sending(packs(start_us + 110 * MINUTE_US, 120, LEAK, 2)):
            until(lambda: told(keeper), "the first alarm event")
            service.kill()
            service.start()
        gateway.send(packs(start_us + 230 * MINUTE_US, 30, QUIET, 3))
        until(lambda: [e for e in journal(folder) if e["event"] == "cleared"], "the end of the alarm")
        until(lambda: told(keeper) == on_record(folder), "every line of the journal as an event")
        ids = {m["id"]: m["entry"]["seq"] for m in events(keeper)}
        assert len(ids) == len(on_record(folder)), "what came twice came under the same id"

        service.kill()
        service.start()
        with listening(everything, broker) as late:
            check_retained(late, service)
            check_shapes(late)
            gateway.send(packs(start_us + 260 * MINUTE_US, 5, QUIET, 4))
            pack = until(lambda: late.newest(f"hissmark/north/senml/{GROUP}"), "a SenML pack")
            check_senml(pack)
            service.wait_for("OPC UA is served")
            check_opcua(opcua_port)
            assert service.stop() == 0
            until(lambda: late.newest("hissmark/north/status")["online"] is False, "its goodbye")
    assert (folder / "data" / "opcua" / "own" / "key.pem").stat().st_mode & 0o077 == 0


def check_retained(late: Ear, service: Service) -> None:
    """Whoever comes after the restart finds each valve as the page shows it."""
    for reading in service.get("/api/v1/now")["groups"]:
        for channel in reading["channels"]:
            topic = f"hissmark/north/valve/{channel['valve']}"
            found = until(lambda t=topic: late.newest(t), topic)
            until(lambda t=topic, at=reading["at"]: late.newest(t)["at"] == at, f"{topic} as it is now")
            found = late.newest(topic)
            assert (found["verdict"], found["rise_db"]) == (channel["verdict"], channel["rise_db"])
    assert late.newest("hissmark/north/status")["online"] is True
    until(lambda: service.metric('hissmark_publishing{way="out"}') == 1, "the metric that says so")


def check_shapes(late: Ear) -> None:
    """The object of the page has the fields that are really sent, and values of their kinds."""
    example = json.loads(blocks("mqtt-out.md", "json")[0])
    found = late.newest("hissmark/north/valve/XV-203")
    assert list(found) == list(example)
    assert found["group"] == example["group"]
    (raised,) = example["alarms"]
    assert set(raised) == {"alarm", "state", "active", "priority", "raised_at", "sentence"}


def check_senml(pack: Any) -> None:
    example = json.loads(blocks("mqtt-out.md", "json")[1])
    assert {k: pack[0][k] for k in ("bn", "bu")} == {k: example[0][k] for k in ("bn", "bu")}
    names = {row["n"] for row in pack}
    assert {row["n"] for row in example} <= names


def check_opcua(port: int) -> None:
    """The client of the page prints a number with its quality."""
    script, _ = blocks("opcua.md", "python")
    said = subprocess.run(
        [sys.executable, "-c", script.replace("4840", str(port))], capture_output=True, text=True, timeout=60
    )
    assert said.returncode == 0, said.stderr[-2000:]
    assert re.search(r"^-?\d+\.\d+ dB, Good, as of 20\d\d-", said.stdout), said.stdout
