"""Our side as Sparkplug B host application: a session that is new each time, our STATE, rebirth requests.

Source: Sparkplug Specification 3.0.0, chapters 4 (topics, NCMD) and 5 (host application: clean session, will,
STATE). Edge nodes send at QoS 0 in order, so nothing is acknowledged here; nodes that name us as their
primary host keep what they measure while our STATE is offline and send it afterwards, marked as historical.
"""

from __future__ import annotations

import json
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from hissmark.decode.message import Message
from hissmark.decode.sparkplug_nodes import NodeKey
from hissmark.decode.sparkplug_payload import NAMESPACE, STATE, Payload
from hissmark.ingest.health import Gauge, Health
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure

log = structlog.get_logger("hissmark.ingest")

BOOLEAN = 11
LONGEST_DELAY_S = 30
FULL_PAUSE_S = 0.02
GOODBYE_S = 1.0


class SparkplugHost:
    """Receives what edge nodes publish into the queue; asks nodes for their birth.

    Args:
        settings: broker; its `sparkplug_filters` and `sparkplug_host`.
        queue: where messages go; while it is full nothing is read.
        now_us: the service's clock.
    """

    def __init__(self, settings: MqttSettings, queue: MessageQueue, now_us: Callable[[], int]) -> None:
        self._settings = settings
        self._queue = queue
        self._now_us = now_us
        self._gauge = Gauge()
        self._stopping = threading.Event()
        self._secured = False
        self._since_ms = 0
        self._state_topic = f"{NAMESPACE}/{STATE}/{settings.sparkplug_host}"
        self._client = self._make_client()

    def start(self) -> None:
        """Begin to connect, in a thread of its own; it tries again for as long as it takes."""
        threading.Thread(target=self._connect, name="sparkplug-connect", daemon=True).start()

    def stop(self) -> None:
        """Say that we are offline, and leave."""
        self._stopping.set()
        if self._client.is_connected():
            self._since_ms = self._now_us() // 1000  # a clean end carries its own time (4.3)
            told = self._tell_state(online=False)
            if told.rc == mqtt.MQTT_ERR_SUCCESS:
                told.wait_for_publish(GOODBYE_S)
        self._client.disconnect()
        self._client.loop_stop()

    def ask_rebirth(self, nodes: Iterable[NodeKey]) -> None:
        """Ask edge nodes (group, node) to send their births again (NCMD `Node Control/Rebirth`)."""
        for group, node in nodes:
            payload = Payload(timestamp=self._now_us() // 1000)
            payload.metrics.add(
                name="Node Control/Rebirth",
                timestamp=payload.timestamp,
                datatype=BOOLEAN,
                boolean_value=True,
            )
            self._client.publish(f"{NAMESPACE}/{group}/NCMD/{node}", payload.SerializeToString(), qos=0)
            self._gauge.count(restarts=1)
            log.info("asked an edge node for its birth", group=group, node=node)

    def health(self) -> Health:
        """How it goes. `restarts` counts births asked for."""
        return self._gauge.now()

    def _make_client(self) -> mqtt.Client:
        version5 = self._settings.protocol == 5
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{self._settings.client_id}-sparkplug",
            clean_session=None if version5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
        )
        client.connect_timeout = self._settings.connect_timeout_s
        client.reconnect_delay_set(1, LONGEST_DELAY_S)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_pre_connect = self._on_pre_connect
        return client

    def _connect(self) -> None:
        """First connection. Certificates and passwords that cannot be read are said and tried again."""
        delay_s = 1
        while not self._stopping.is_set():
            try:
                self._open()
            except (OSError, SetupError, ssl.SSLError) as error:
                self._gauge.set(last_error=failure(error, self._settings))
                log.warning("no connection as Sparkplug host", reason=failure(error, self._settings))
                self._stopping.wait(delay_s)
                delay_s = min(2 * delay_s, LONGEST_DELAY_S)
                continue
            self._client.loop_start()
            return

    def _open(self) -> None:
        settings = self._settings
        if settings.username is not None:
            self._client.username_pw_set(settings.username, password(settings))
        if settings.uses_tls and not self._secured:
            self._client.tls_set_context(tls_context(settings))
            self._secured = True
        options: dict[str, Any] = {}
        if settings.protocol == 5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0
            options = {"clean_start": True, "properties": properties}
        self._client.connect(settings.host, settings.port, settings.keepalive_s, **options)

    def _on_pre_connect(self, client: mqtt.Client, _data: object) -> None:
        """The will and the birth of one connection carry the same time (5.4)."""
        self._since_ms = self._now_us() // 1000
        client.will_set(self._state_topic, self._state(online=False), qos=1, retain=True)

    def _state(self, *, online: bool) -> str:
        return json.dumps({"online": online, "timestamp": self._since_ms}, separators=(",", ":"))

    def _tell_state(self, *, online: bool) -> mqtt.MQTTMessageInfo:
        return self._client.publish(self._state_topic, self._state(online=online), qos=1, retain=True)

    def _on_connect(
        self, client: mqtt.Client, _data: object, _flags: object, reason: Any, _p: object
    ) -> None:
        if reason.is_failure:
            self._gauge.set(last_error=f"the broker refused us as Sparkplug host: {reason}")
            log.warning("refused as Sparkplug host", reason=str(reason))
            return
        self._gauge.set(connected=True)
        wanted = [(f, 1) for f in (self._state_topic, *self._settings.sparkplug_filters)]
        client.subscribe(wanted)

    def _on_subscribe(
        self, client: object, data: object, mid: int, reasons: list[Any], props: object
    ) -> None:
        filters = (self._state_topic, *self._settings.sparkplug_filters)
        refused = {f: str(r) for f, r in zip(filters, reasons, strict=False) if r.is_failure}
        self._gauge.set(refused=refused, subscribed=True)
        for filter_text, why in refused.items():
            log.error("subscription refused", filter=filter_text, reason=why)
        self._tell_state(online=True)
        log.info("online as Sparkplug host", host=self._settings.sparkplug_host)

    def _on_disconnect(self, client: object, data: object, flags: object, reason: Any, props: object) -> None:
        self._gauge.set(connected=False, subscribed=False)
        if not self._stopping.is_set():
            self._gauge.set(last_error=f"the connection as Sparkplug host ended: {reason}")
            log.warning("connection as Sparkplug host ended", reason=str(reason))

    def _on_message(self, client: object, data: object, message: mqtt.MQTTMessage) -> None:
        payload = bytes(message.payload)
        if message.topic == self._state_topic and self._says_offline(payload):
            self._tell_state(online=True)  # an older connection of ours was buried late
        while not self._queue.has_room() and not self._stopping.is_set():
            time.sleep(FULL_PAUSE_S)  # not reading is what holds the broker back
        self._queue.offer([Message(message.topic, payload, self._now_us(), message.retain)])
        self._gauge.count(messages=1, payload_bytes=len(payload))

    def _says_offline(self, payload: bytes) -> bool:
        if self._stopping.is_set() or not self._gauge.now().subscribed:
            return False
        try:
            return json.loads(payload).get("online") is False
        except (ValueError, AttributeError):
            return False
