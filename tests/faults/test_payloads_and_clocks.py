"""What a plant sends that it should not: bad payloads, clocks that run ahead, retained messages."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from support import panel
from support.broker import Broker
from support.faults import SQLITE, Seen, fault
from support.publish import Gateway, Sent, json_value, senml_pack
from support.service import Service, until, write_site

pytestmark = pytest.mark.broker

JSON_TOPIC = "plant/a/json/AX-1"
AT = 1_772_323_200  # 2026-03-01T00:00:00Z

BAD: list[tuple[str, bytes, str]] = [
    (JSON_TOPIC, b"no JSON at all", "not-json"),
    (JSON_TOPIC, b"\xff\xfe\x00", "not-json"),
    (JSON_TOPIC, b"", "empty"),
    (JSON_TOPIC, b'{"value": "loud", "time": 1772323200}', "wrong-type"),
    (JSON_TOPIC, b'{"value": NaN, "time": 1772323200}', "not-finite"),
    (JSON_TOPIC, b'{"value": -Infinity, "time": 1772323200}', "not-finite"),
    (JSON_TOPIC, b'{"value": 1e30, "time": 1772323200}', "out-of-range"),
    (JSON_TOPIC, b'{"value": 21.0, "time": "1970-01-01T00:00:00Z"}', "bad-time"),
    (JSON_TOPIC, b'{"value": 21.0, "time": "2100-01-01T00:00:00Z"}', "bad-time"),
    (JSON_TOPIC, b'{"level": 21.0, "time": 1772323200}', "missing-value"),
    (JSON_TOPIC, b"[" * 100_000, "too-deep"),
    (JSON_TOPIC, b'{"value": 1, "pad": "' + b"x" * 10_000_000 + b'"}', "too-large"),
    ("plant/a/json/AX-99", json_value(21.0, AT * 1_000_000), "unknown-name"),
    ("plant/a/levels", b'[{"n":"AX-1","u":"dB","bt":1772323200,"v":NaN}]', "not-finite"),
    ("plant/a/levels", b'[{"n":"AX-98","u":"dB","bt":1772323200,"v":21.0}]', "unknown-name"),
    ("plant/a/levels", b'[{"n":"AX-1","u":"lm","bt":1772323200,"v":21.0}]', "bad-unit"),
    ("plant/a/levels", b'[{"bver":99,"n":"AX-1","u":"dB","bt":1772323200,"v":21.0}]', "unsupported-version"),
    ("plant/a/levels", b"{", "not-json"),
]  # fmt: skip
ROUNDS = 50


@fault(
    "Bad payloads: not JSON, wrong type, NaN, infinity, 1970, 2100, 10 MB, nested deep, unknown names, units",
    promised="counted by reason, listed with topic and first bytes; the good ones between them stored",
    stores=SQLITE,
)
def test_a_storm_of_bad_payloads(tmp_path: Path, broker: Broker, seen: Seen) -> None:
    """Each is counted under its reason and can be looked at; the good samples between them are all stored."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER)
    found = panel.rows(len(BAD) * ROUNDS)
    good = iter(panel.packs(found))
    storm: list[Sent] = []
    for number in range(ROUNDS):
        for topic, payload, reason in BAD:
            if number == 0 or reason not in ("too-large", "too-deep"):
                storm.append((topic, payload))
            storm.append(next(good))
    with Service(site).start() as service:
        gateway = Gateway(broker)
        gateway.send(storm)
        service.wait_stored(3 * len(found))
        assert_counted(service)
        assert_listed(service)
        assert service.running
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)
    assert not [row for row in service.log() if "Traceback" in row["event"]]
    seen.note(f"{len(BAD)} kinds among {len(found)} good packs")


def assert_counted(service: Service) -> None:
    """In the metrics; unknown names have a list of their own and may be counted there."""
    sent: dict[str, int] = {}
    for _, _, reason in BAD:
        sent[reason] = sent.get(reason, 0) + (1 if reason in ("too-large", "too-deep") else ROUNDS)
    counted = {reason: service.metric(f'hissmark_rejects_total{{reason="{reason}"}}') for reason in sent}
    assert counted == sent


def assert_listed(service: Service) -> None:
    """With topic, reason and first bytes; unknown names with how often and the last value."""
    listed: list[dict[str, Any]] = []
    path = "/api/v1/rejects?limit=200"
    while path:
        page = service.get(path)
        listed += page["rejects"]
        path = page["next"]
    seen = {(row["topic"], row["reason"], bytes.fromhex(row["head"])[:20]) for row in listed}
    for topic, payload, reason in BAD:
        if reason != "unknown-name":
            assert (topic, reason, payload[:20]) in seen
    assert all(len(row["head"]) <= 128 for row in listed)
    names = {row["name"]: row for row in service.get("/api/v1/unknown-names")["names"]}
    assert set(names) == {"AX-98", "AX-99"}
    assert names["AX-99"]["count"] == ROUNDS
    assert names["AX-99"]["last_value"] == 21.0


TABLES: dict[str, dict[str, object]] = {"baseline": {"learn_s": 1800, "learn_windows": 3}}
LEARNED_ROWS = 3 * 360
"""Three hours at one sample per 10 s, ending now."""


def recent_rows() -> list[panel.Row]:
    start_us = (int(time.time()) - LEARNED_ROWS * 10) * 1_000_000
    return panel.rows(LEARNED_ROWS, start_us=start_us)


def valves(service: Service) -> dict[str, dict[str, Any]]:
    return {row["valve"]: row for row in service.get("/api/v1/valves")["valves"]}


@pytest.mark.parametrize("ahead_s", [1800, 86_400], ids=["half an hour", "a day"])
@fault(
    "The clock of one sensor runs ahead",
    promised="half an hour: the others judged as usual; more than `max_ahead_s`: stored, marked, not judged, "
    "after half an hour called `clock wrong`",
    stores=SQLITE,
)
def test_one_clock_runs_ahead(tmp_path: Path, broker: Broker, ahead_s: int) -> None:
    """The other valves are judged as if nothing were; what is a day ahead is kept but never judged."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=TABLES)
    found = recent_rows()
    with Service(site).start() as service:
        gateway = Gateway(broker)
        for at, row in found:
            late = [(name, at + (ahead_s * 1_000_000 if name == "AX-3" else 0), v, "dB") for name, v in row]
            gateway.send([("plant/a/levels", senml_pack(late))])
        service.wait_stored(3 * len(found))
        until(lambda: valves(service)["XV-1"]["verdict"] == "quiet", "a verdict")
        said = valves(service)
        assert said["XV-2"]["verdict"] == "quiet"
        assert said["XV-1"]["baseline_db"] == pytest.approx(panel.LEVEL_DB, abs=1.0)
        assert service.metric('hissmark_samples_not_judged_total{why="late"}') == 0
        ahead = service.metric('hissmark_samples_not_judged_total{why="ahead"}')
        assert ahead >= (LEARNED_ROWS if ahead_s > 3 * 3600 + 3600 else 0)
        if ahead_s == 86_400:
            assert (said["XV-3"]["verdict"], said["XV-3"]["reason"]) == ("not testable", "no fresh data")
        assert service.stop() == 0
        assert sum(len(times) for times, _ in service.samples().values()) == 3 * len(found)


@fault(
    "Retained messages",
    promised="stored and marked, never learned from; without a time turned away",
    stores=SQLITE,
)
def test_retained_messages_feed_no_baseline(tmp_path: Path, broker: Broker) -> None:
    """Old values that the broker hands out at each subscription are kept, marked, and not learned from."""
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=TABLES)
    found = recent_rows()
    old = [(f"plant/a{i}/json/AX-1", json_value(90.0, at)) for i, (at, _) in enumerate(found[:1000:2])]
    gateway = Gateway(broker)
    gateway.send(old, retain=True)
    gateway.send([("plant/b/json/AX-2", json.dumps({"value": 90.0}).encode())], retain=True)
    mine = [(at, [pair for pair in row if pair[0] != "AX-1" or at >= found[1000][0]]) for at, row in found]
    with Service(site).start() as service:
        until(lambda: service.stored() >= len(old), "the retained ones on record")
        gateway.send(panel.packs(mine))
        service.wait_stored(len(old) + sum(len(row) for _, row in mine))
        until(lambda: valves(service)["XV-2"]["verdict"] == "quiet", "a verdict")
        until(lambda: valves(service)["XV-1"]["reason"] != "no fresh data", "the newest reading")
        said = valves(service)
        assert service.metric('hissmark_samples_not_judged_total{why="retained"}') == len(old)
        assert service.metric('hissmark_rejects_total{reason="retained-without-time"}') == 1
        assert (said["XV-1"]["verdict"], said["XV-1"]["reason"]) == ("not testable", "baseline learning")
        assert said["XV-1"]["level_db"] == pytest.approx(panel.LEVEL_DB, abs=1.0)
        assert service.stop() == 0
