"""Readings as MQTT messages: one retained JSON object a valve, one SenML pack (RFC 8428) a group and tick."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec

from hissmark.publish.shapes import AlarmShape, LiveReading

_NAMES = ("level", "baseline", "rise")
_NOT_IN_TOPICS = re.compile(r"[+#/%\x00-\x1f\x7f]")
_NOT_IN_SENML = re.compile(r"[^A-Za-z0-9\-:./_]")


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message. Retained ones are what somebody who comes later finds."""

    topic: str
    payload: bytes
    retain: bool


def valve_messages(prefix: str, reading: LiveReading, alarms: Sequence[AlarmShape]) -> Iterator[Outgoing]:
    """What is judged of each valve of a group now, with the alarms that stand."""
    standing: dict[str, list[Mapping[str, object]]] = {}
    for a in alarms:
        row = {key: a[key] for key in ("alarm", "state", "active", "priority", "raised_at", "sentence")}
        standing.setdefault(a["valve"], []).append(row)
    for channel in reading["channels"]:
        valve = channel["valve"]
        if valve is None:
            continue
        told = {
            "at": reading["at"], "fresh": reading["fresh"], "valve": valve, "group": reading["group"],
            "verdict": channel["verdict"], "reason": channel["reason_sentence"],
            "source": reading["explanation"]["source"], "margin_db": reading["explanation"]["margin_db"],
            "level_db": channel["level_db"], "baseline_db": channel["baseline_db"],
            "rise_db": channel["rise_db"], "difference_bar": channel["difference_bar"],
            "health": channel["health"], "alarms": standing.get(valve, []),
        }  # fmt: skip
        yield Outgoing(f"{prefix}/valve/{topic_level(valve)}", msgspec.json.encode(told), retain=True)


def senml_message(prefix: str, reading: LiveReading) -> Outgoing | None:
    """Level, baseline and rise of every channel of a group; None if nothing is known of it."""
    at_s = datetime.fromisoformat(reading["at"]).timestamp()
    records: list[dict[str, object]] = []
    for channel in reading["channels"]:
        values = (channel["level_db"], channel["baseline_db"], channel["rise_db"])
        for name, value in zip(_NAMES, values, strict=True):
            if value is not None:
                records.append({"n": f"{senml_name(channel['channel'])}/{name}", "v": value})
    if not records:
        return None
    records[0] = {"bn": f"{senml_name(prefix)}/", "bt": at_s, "bu": "dB", **records[0]}
    topic = f"{prefix}/senml/{topic_level(reading['group'])}"
    return Outgoing(topic, msgspec.json.encode(records), retain=False)


def topic_level(name: str) -> str:
    """A name as one level of a topic: `+`, `#`, `/` and control characters percent-encoded."""
    return _NOT_IN_TOPICS.sub(lambda found: f"%{ord(found[0]):02X}", name)


def senml_name(name: str) -> str:
    """A name as RFC 8428 (4.5.1) allows it: what it forbids becomes `_`."""
    return _NOT_IN_SENML.sub("_", name)
