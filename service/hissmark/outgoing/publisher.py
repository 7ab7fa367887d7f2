"""Publishes what is new to the site's broker, under a client name of its own.

It delays nobody: what cannot be sent now is sent as it stands when the broker is back.
"""

from __future__ import annotations

import json
import ssl
import threading
import time
from dataclasses import dataclass
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure
from hissmark.outgoing.edge import Edge, asks_for_rebirth
from hissmark.outgoing.messages import Outgoing, senml_message, valve_messages
from hissmark.publish.live import LiveState

log = structlog.get_logger("hissmark.outgoing")

LOOK_S = 0.5
LONGEST_DELAY_S = 30.0
MOST_UNSENT = 20_000
"""While the broker takes nothing, this many messages wait; what is newer then waits in the live state."""


@dataclass(frozen=True, slots=True)
class Options:
    """What one connection publishes.

    `sparkplug`: (group, edge node) to be. Such a connection publishes nothing else, because its will is the
    node's death.
    """

    prefix: str
    valves: bool
    senml: bool
    sparkplug: tuple[str, str] | None


class Told(NamedTuple):
    """What was last told of a group: its tick, whether it is fresh, its alarms."""

    at: str
    fresh: bool
    alarms: tuple[tuple[str, str, str], ...]


class Publisher:
    """A thread that follows the live state. Every (re)connection tells everything anew."""

    def __init__(self, settings: MqttSettings, options: Options, live: LiveState) -> None:
        self._settings, self._options, self._live = settings, options, live
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="outgoing", daemon=True)
        self._told: dict[str, Told] = {}
        self._connections = 0
        self._edge: Edge | None = None
        self._rebirth = threading.Event()
        self.trouble = ""

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        delay_s = 1.0
        while not self._stop.is_set():
            try:
                self._serve()
                delay_s = 1.0
            except (OSError, SetupError, ssl.SSLError, ValueError) as error:
                self._troubled(failure(error, self._settings))
            self._stop.wait(delay_s)
            delay_s = min(2 * delay_s, LONGEST_DELAY_S)

    def _troubled(self, trouble: str) -> None:
        if trouble and not self.trouble:
            log.warning("nothing can be published; tried again", reason=trouble)
        self.trouble = trouble

    def _serve(self) -> None:
        """One connection, until it ends or we stop."""
        client = self._connect()
        try:
            while not self._stop.is_set() and client.is_connected():
                self._publish(client)
                self._stop.wait(LOOK_S)
            if self._stop.is_set() and client.is_connected():
                self._say_goodbye(client)
        finally:
            client.disconnect()
            client.loop_stop()

    def _connect(self) -> mqtt.Client:
        settings, answered = self._settings, threading.Event()
        version5 = settings.protocol == 5
        suffix = "node" if self._options.sparkplug else "out"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, f"{settings.client_id}-{suffix}",
            clean_session=None if version5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )  # fmt: skip
        refused: list[str] = []

        def on_connect(_c: object, _d: object, _f: object, reason: Any, _p: object) -> None:
            if reason.is_failure:
                refused.append(str(reason))
            answered.set()

        client.on_connect = on_connect
        client.on_message = self._on_message
        client.max_queued_messages_set(MOST_UNSENT)
        client.connect_timeout = settings.connect_timeout_s
        if settings.username is not None:
            client.username_pw_set(settings.username, password(settings))
        if settings.uses_tls:
            client.tls_set_context(tls_context(settings))
        self._begin(client)
        client.connect(settings.host, settings.port, settings.keepalive_s)
        client.loop_start()
        if not answered.wait(settings.connect_timeout_s) or refused:
            client.loop_stop()
            raise ConnectionRefusedError(refused[0] if refused else "no answer to CONNECT")
        self._greet(client)
        self._troubled("")
        return client

    def _begin(self, client: mqtt.Client) -> None:
        """What the broker shall say if we vanish."""
        if self._options.sparkplug is None:
            client.will_set(self._status_topic, _status(online=False), qos=1, retain=True)
            return
        self._edge = Edge(*self._options.sparkplug, bd_seq=self._connections)
        self._connections += 1
        client.will_set(self._edge.topic("NDEATH"), self._edge.death(_now_ms()), qos=1, retain=False)

    def _greet(self, client: mqtt.Client) -> None:
        self._told.clear()
        if self._edge is None:
            client.publish(self._status_topic, _status(online=True), qos=1, retain=True)
            return
        client.subscribe(self._edge.topic("NCMD"), qos=1)
        self._be_born(client)

    def _say_goodbye(self, client: mqtt.Client) -> None:
        if self._edge is not None:
            told = client.publish(self._edge.topic("NDEATH"), self._edge.death(_now_ms()), qos=1)
        else:
            told = client.publish(self._status_topic, _status(online=False), qos=1, retain=True)
        told.wait_for_publish(1.0)

    @property
    def _status_topic(self) -> str:
        return f"{self._options.prefix}/status"

    def _publish(self, client: mqtt.Client) -> None:
        """Everything whose tick, freshness or alarms are new since it was last told."""
        if self._edge is not None:
            self._spark(client, self._edge)
            return
        alarms = self._live.alarms_json()
        for reading in self._live.live_readings(self._live.layout.group_names):
            group = reading["group"]
            mine = [a for a in alarms if a["group"] == group]
            standing = tuple((a["valve"], a["alarm"], a["state"]) for a in mine)
            state = Told(reading["at"], reading["fresh"], standing)
            before = self._told.get(group)
            if before == state:
                continue
            fresh_tick = before is None or before.at != state.at
            self._told[group] = state
            if self._options.valves:
                _send(client, valve_messages(self._options.prefix, reading, mine))
            if self._options.senml and fresh_tick:
                _send(client, [senml_message(self._options.prefix, reading)])

    def _spark(self, client: mqtt.Client, edge: Edge) -> None:
        """The groups whose tick or freshness is new, by alias; a birth where one is asked for or needed."""
        if self._rebirth.is_set():
            self._rebirth.clear()
            self._be_born(client)
        for reading in self._live.live_readings(self._live.layout.group_names):
            state = Told(reading["at"], reading["fresh"], ())
            if self._told.get(reading["group"]) == state:
                continue
            payload = edge.data(reading, _now_ms())
            if payload is None:  # the register has changed since the birth
                self._be_born(client)
                return
            self._told[reading["group"]] = state
            client.publish(edge.topic("NDATA"), payload, qos=0)

    def _be_born(self, client: mqtt.Client) -> None:
        if self._edge is None:
            return
        readings = self._live.live_readings(self._live.layout.group_names)
        self._told = {r["group"]: Told(r["at"], r["fresh"], ()) for r in readings}
        client.publish(self._edge.topic("NBIRTH"), self._edge.birth(readings, _now_ms()), qos=0)

    def _on_message(self, client: object, data: object, message: Any) -> None:
        if asks_for_rebirth(bytes(message.payload)):
            self._rebirth.set()


def _send(client: mqtt.Client, messages: Any) -> None:
    for message in messages:
        if isinstance(message, Outgoing):
            client.publish(message.topic, message.payload, qos=1, retain=message.retain)


def _status(*, online: bool) -> str:
    return json.dumps({"online": online, "timestamp": _now_ms()})


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
