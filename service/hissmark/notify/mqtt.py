"""Notifications on the site's own broker, QoS 1, under a client name of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError
from hissmark.notify.channel import UnreachableError
from hissmark.notify.message import Message
from hissmark.notify.topics import topic_of


@dataclass
class MqttChannel:
    """Publishes one JSON message an entry and waits for the broker's acknowledgement."""

    settings: MqttSettings
    client_id: str
    topic: str
    retain: bool
    timeout_s: float
    at_once: int = 20
    _client: paho.Client | None = field(default=None, repr=False)
    _answers: SimpleQueue[str] = field(default_factory=SimpleQueue, repr=False)

    def send(self, messages: Sequence[Message]) -> None:
        client = self._connected()
        sent = []
        for message in messages:
            entry = message.row.entry
            topic = topic_of(
                self.topic,
                {
                    "group": entry.group,
                    "valve": entry.valve,
                    "alarm": entry.alarm,
                    "priority": entry.priority,
                },
            )
            sent.append(client.publish(topic, msgspec.json.encode(message.as_json()), 1, self.retain))
        for info in sent:
            self._wait(info)

    def _wait(self, info: paho.MQTTMessageInfo) -> None:
        try:
            info.wait_for_publish(self.timeout_s)
            done = info.is_published()
        except (RuntimeError, ValueError) as error:
            self.close()
            raise UnreachableError(f"{self._place}: {error}") from None
        if not done:
            self.close()  # what is not acknowledged is sent anew, under the same id
            raise UnreachableError(f"{self._place} did not acknowledge within {self.timeout_s:g} s")

    def _connected(self) -> paho.Client:
        if self._client is not None and self._client.is_connected():
            return self._client
        self.close()
        client = self._new_client()
        try:
            client.connect(self.settings.host, self.settings.port, self.settings.keepalive_s)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise UnreachableError(f"{self._place}: {reason}") from None
        client.loop_start()
        self._client = client
        try:
            refusal = self._answers.get(timeout=self.timeout_s)
        except Empty:
            refusal = "no answer to CONNECT"
        if refusal:
            self.close()
            raise UnreachableError(f"{self._place}: {refusal}")
        return client

    def _new_client(self) -> paho.Client:
        version5 = self.settings.protocol == 5
        client = paho.Client(
            CallbackAPIVersion.VERSION2, self.client_id,
            clean_session=None if version5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )  # fmt: skip
        client.connect_timeout = self.settings.connect_timeout_s
        answers: SimpleQueue[str] = SimpleQueue()
        self._answers = answers
        client.on_connect = lambda _c, _d, _f, reason, _p: answers.put(
            str(reason) if reason.is_failure else ""
        )
        try:
            if self.settings.username:
                client.username_pw_set(self.settings.username, password(self.settings))
            if self.settings.uses_tls:
                client.tls_set_context(tls_context(self.settings))
        except SetupError as error:
            raise UnreachableError(str(error)) from None
        return client

    @property
    def _place(self) -> str:
        return f"{self.settings.host}:{self.settings.port}"

    def idle(self) -> None:
        """Nothing to do: paho's thread keeps the connection."""

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            client.loop_stop()
