"""One alarm through `hissmark run`, a broker and a receiver: told, shelved, killed, back, acknowledged."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from support.broker import Broker
from support.patience import PATIENCE_S
from support.publish import Gateway, Sent, senml_pack
from support.receivers import HttpReceiver
from support.service import Service, cli, journal, until, write_site

pytestmark = pytest.mark.broker

MINUTE_US = 60_000_000
VALVES = ("1", "2", "3")
QUIET, LEAK = (30.0, 30.0, 30.0), (55.0, 46.0, 40.0)
REGISTER = [
    {"channel": f"AX-{v}", "kind": "valve", "valve": f"XV-{v}", "group": "header", "position": i}
    for i, v in enumerate(VALVES)
]


def packs(from_us: int, minutes: int, levels: tuple[float, ...], seed: int) -> list[Sent]:
    """A pack a minute, six samples a channel."""
    rng = np.random.default_rng(seed)
    sent = []
    for m in range(minutes):
        rows = [
            (f"AX-{v}", from_us + m * MINUTE_US + i * 10_000_000, level + rng.normal(0, 0.4), "dB")
            for v, level in zip(VALVES, levels, strict=True)
            for i in range(6)
        ]
        sent.append(("plant/a/levels", senml_pack(sorted(rows, key=lambda r: r[1]))))
    return sent


def post(service: Service, path: str, **body: Any) -> tuple[int, dict[str, Any]]:
    request = urllib.request.Request(
        f"http://127.0.0.1:{service.port}{path}",
        json.dumps(body).encode(),
        {"Content-Type": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        return error.code, json.loads(error.read())


def state(service: Service) -> str | None:
    rows = [a for a in service.get("/api/v1/alarms")["alarms"] if a["alarm"] == "passing"]
    return rows[0]["state"] if rows else None


def told(receiver: HttpReceiver) -> list[str]:
    return [r.json["entry"]["event"] for r in receiver.taken if r.json["entry"]["alarm"] == "passing"]


def test_told_shelved_killed_back_and_acknowledged_once(tmp_path: Path, broker: Broker) -> None:
    now_us = time.time_ns() // 1000 // MINUTE_US * MINUTE_US
    folder = write_site(
        tmp_path / "site", broker, REGISTER, tables={"baseline": {"learn_s": 3600, "learn_windows": 5}}
    )
    with HttpReceiver() as receiver:
        settings = folder / "site.toml"
        hook = f'\n[[notify.webhook]]\nname = "log"\nurl = "{receiver.url}"\nalarms = ["passing"]\n'
        settings.write_text(settings.read_text() + hook)
        gateway = Gateway(broker)
        with Service(folder) as service:
            service.start()
            gateway.send(packs(now_us - 150 * MINUTE_US, 110, QUIET, 1))
            gateway.send(packs(now_us - 40 * MINUTE_US, 40, LEAK, 2))
            until(lambda: state(service) == "unacknowledged", "the alarm")
            until(lambda: told(receiver) == ["raised"], "the message")
            assert receiver.taken[0].json["sentence"].startswith("XV-1 is passing: ")

            status, done = post(
                service, "/api/v1/alarms/XV-1/passing/shelve", operator="M. Okafor", comment="trap", for_s=600
            )
            assert (status, done["applied"]) == (200, True)
            until(lambda: state(service) == "shelved", "the shelf")
            before = journal(folder)
            service.kill()
            service.start()
            assert state(service) == "shelved"
            assert journal(folder) == before
            assert told(receiver) == ["raised"]

            gateway.send(packs(now_us, 20, LEAK, 3))
            until(lambda: state(service) == "unacknowledged", "the end of the shelf")
            until(lambda: told(receiver) == ["raised", "shelf-expired"], "that message")

            path = "/api/v1/alarms/XV-1/passing/acknowledge"
            with ThreadPoolExecutor(2) as pool:
                both = list(pool.map(lambda who: post(service, path, operator=who), ("Ada", "Bo")))
            assert sorted(status for status, _ in both) == [200, 409]
            (refused,) = [answer for status, answer in both if status == 409]
            (entry,) = [e for e in journal(folder) if e["event"] == "acknowledged"]
            assert "its state is acknowledged" in refused["detail"]

            post(service, "/api/v1/handover/notes", operator="Ada", text="repair on Monday", valve="XV-1")
            shift = service.get("/api/v1/handover?to=2099-01-01T00:00:00Z&from=2020-01-01T00:00:00Z")
            assert [shift[k]["count"] for k in ("came", "put_aside", "came_back", "stand")] == [2, 1, 1, 1]
            assert shift["acknowledged"]["entries"][0]["operator"] == entry["operator"]
            assert shift["notes"][0]["text"] == "repair on Monday"
            figures = service.get("/api/v1/figures?to=2099-01-01T00:00:00Z&from=2020-01-01T00:00:00Z")
            assert figures["alarms"] == 2
            assert service.metric('hissmark_notifications_waiting{receiver="log"}') == 0
            assert "XV-1 is passing" in cli(folder, "watch", "--once").stdout
            assert service.stop() == 0
