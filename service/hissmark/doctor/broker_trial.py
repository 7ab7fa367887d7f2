"""One short connection to the broker: what it says to CONNECT and SUBSCRIBE, and what comes."""

from __future__ import annotations

import secrets
import ssl
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.decode.message import Message
from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure, refusal

DROPPED = "$SYS/broker/publish/messages/dropped"
"""Where Mosquitto publishes, retained, how many messages it has dropped because queues were full."""
SYS_S = 2.0
"""A retained message comes at once, or the user may not read it (3.1.1 brokers do not always say so)."""
MOST_MESSAGES = 10_000


class Trial:
    """Connects under a name of its own and asks for what the service asks for. `run`, then look.

    Attributes:
        refused: filter -> why it is not granted, "" if it is.
        weaker: filters granted with QoS 0 where 1 was asked for.
        dropped: messages the broker has dropped since its start; None if it does not tell.
        messages: what came on the filters, but what was retained.
    """

    def __init__(self, settings: MqttSettings) -> None:
        self.settings = settings
        self.filters = (*settings.filters, *settings.sparkplug_filters)
        self.refused: dict[str, str] = {}
        self.weaker: set[str] = set()
        self.dropped: int | None = None
        self.messages: list[Message] = []
        self._trouble = f"broker {settings.host}:{settings.port} did not answer in time"
        self._done, self._told = threading.Event(), threading.Event()
        version5 = settings.protocol == 5
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"hissmark-doctor-{secrets.token_hex(4)}",
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
        )
        self._client.on_connect, self._client.on_subscribe = self._on_connect, self._on_subscribe
        self._client.on_message = self._on_message

    def run(self, patience_s: float) -> str:
        """Connect and subscribe. Returns what went wrong; "" if nothing did."""
        settings, client = self.settings, self._client
        client.connect_timeout = patience_s
        try:
            if settings.username is not None:
                client.username_pw_set(settings.username, password(settings))
            if settings.uses_tls:
                client.tls_set_context(tls_context(settings))
            client.connect(settings.host, settings.port, settings.keepalive_s)
        except (OSError, ssl.SSLError, SetupError, ValueError) as error:
            return failure(error, settings)
        client.loop_start()
        self._done.wait(patience_s)
        if not self._trouble:
            self._told.wait(min(SYS_S, patience_s))
        return self._trouble

    def __enter__(self) -> Trial:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, data: object, flags: object, reason: Any, _: object) -> None:
        if reason.is_failure:
            self._trouble = refusal(reason, self.settings)
            self._done.set()
            return
        self._trouble = ""
        client.subscribe([(f, 1) for f in self.filters] + [(DROPPED, 0)])

    def _on_subscribe(self, client: object, data: object, mid: int, reasons: list[Any], _: object) -> None:
        for text, reason in zip(self.filters, reasons, strict=False):
            self.refused[text] = str(reason) if reason.is_failure else ""
            if reason.value == 0:
                self.weaker.add(text)
        if reasons and reasons[-1].is_failure:
            self._told.set()
        self._done.set()

    def _on_message(self, client: object, data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == DROPPED:
            text = bytes(message.payload)
            self.dropped = int(text) if text.isdigit() else None
            self._told.set()
        elif not message.retain and len(self.messages) < MOST_MESSAGES:
            payload, now_us = bytes(message.payload), time.time_ns() // 1000
            self.messages.append(Message(message.topic, payload, now_us))
