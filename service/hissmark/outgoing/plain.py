"""The present state as plain MQTT: one retained object a valve, SenML packs, and whether we are there."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import NamedTuple

import paho.mqtt.client as mqtt

from hissmark.outgoing.messages import Outgoing, senml_message, valve_messages
from hissmark.outgoing.moments import now_ms
from hissmark.publish.live import LiveState


class Told(NamedTuple):
    """What was last told of a group: its tick, whether it is fresh, its alarms."""

    at: str
    fresh: bool
    alarms: tuple[tuple[str, str, str], ...]


class Plain:
    """Follows the live state. Every connection tells everything anew.

    Args:
        valves: one retained JSON object a valve. senml: one SenML pack a group and tick.
    """

    suffix = "out"

    def __init__(self, prefix: str, live: LiveState, *, valves: bool, senml: bool) -> None:
        self._prefix, self._live, self._valves, self._senml = prefix, live, valves, senml
        self._told: dict[str, Told] = {}
        self._status_topic = f"{prefix}/status"

    @property
    def has_told(self) -> bool:
        """Whether anything was told on this connection."""
        return bool(self._told)

    def begin(self, client: mqtt.Client) -> None:
        client.will_set(self._status_topic, _status(online=False), qos=1, retain=True)

    def greet(self, client: mqtt.Client) -> None:
        self._told.clear()
        client.publish(self._status_topic, _status(online=True), qos=1, retain=True)

    def tell(self, client: mqtt.Client) -> bool:
        """Everything whose tick, freshness or alarms are new since it was last told."""
        alarms = self._live.alarms_json()
        for reading in self._live.live_readings(self._live.layout.group_names):
            mine = [a for a in alarms if a["group"] == reading["group"]]
            standing = tuple((a["valve"], a["alarm"], a["state"]) for a in mine)
            state = Told(reading["at"], reading["fresh"], standing)
            before = self._told.get(reading["group"])
            if before == state:
                continue
            self._told[reading["group"]] = state
            if self._valves:
                _send(client, valve_messages(self._prefix, reading, mine))
            if self._senml and (before is None or before.at != state.at):
                _send(client, [senml_message(self._prefix, reading)])
        return True

    def say_goodbye(self, client: mqtt.Client) -> None:
        told = client.publish(self._status_topic, _status(online=False), qos=1, retain=True)
        told.wait_for_publish(1.0)

    def heard(self, topic: str, payload: bytes) -> None:
        """Nothing is subscribed to."""


def _send(client: mqtt.Client, messages: Iterable[Outgoing | None]) -> None:
    for message in messages:
        if message is not None:
            client.publish(message.topic, message.payload, qos=1, retain=message.retain)


def _status(*, online: bool) -> str:
    return json.dumps({"online": online, "timestamp": now_ms()})
