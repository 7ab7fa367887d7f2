"""A connection of its own to the site's broker, kept up by a thread, for one way of telling.

It delays nobody: what cannot be sent now is sent as it stands when the broker is back.
"""

from __future__ import annotations

import ssl
import threading
from typing import Any, Protocol

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure

log = structlog.get_logger("hissmark.outgoing")

LOOK_S = 0.5
LONGEST_DELAY_S = 30.0
MOST_UNSENT = 20_000
"""While the broker takes nothing, this many messages wait; what is newer then waits in the live state."""


class Voice(Protocol):
    """What is told on a connection. `heard` is called from the network's thread, the rest from ours."""

    suffix: str
    """What the client name ends with."""

    def begin(self, client: mqtt.Client) -> None:
        """Before connecting: what the broker shall say if we vanish."""

    def greet(self, client: mqtt.Client) -> None:
        """Connected: subscribe, say that we are here."""

    def tell(self, client: mqtt.Client) -> bool:
        """Everything that is new; False to end this connection and make another."""

    def say_goodbye(self, client: mqtt.Client) -> None:
        """Before a connection is ended on purpose."""

    def heard(self, topic: str, payload: bytes) -> None:
        """A message of what `greet` has subscribed to."""


class Publisher:
    """A thread that keeps one connection up. Every (re)connection begins anew."""

    def __init__(self, settings: MqttSettings, voice: Voice) -> None:
        self._settings, self._voice = settings, voice
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="outgoing", daemon=True)
        self.trouble = ""
        self.connected = False
        """Whether the connection stands."""

    @property
    def way(self) -> str:
        """Which connection it is: `out`, or `node` of an edge node."""
        return self._voice.suffix

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
        """One connection, until it ends, or we stop, or what is told wants another."""
        client, on = self._connect(), True
        self.connected = True
        try:
            while on and not self._stop.is_set() and client.is_connected():
                on = self._voice.tell(client)
                self._stop.wait(LOOK_S)
            if client.is_connected():
                self._voice.say_goodbye(client)
        finally:
            self.connected = False
            client.disconnect()
            client.loop_stop()

    def _connect(self) -> mqtt.Client:
        settings, answered = self._settings, threading.Event()
        version5 = settings.protocol == 5
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, f"{settings.client_id}-{self._voice.suffix}",
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
        client.on_message = lambda _c, _d, message: self._voice.heard(message.topic, bytes(message.payload))
        client.max_queued_messages_set(MOST_UNSENT)
        client.connect_timeout = settings.connect_timeout_s
        if settings.username is not None:
            client.username_pw_set(settings.username, password(settings))
        if settings.uses_tls:
            client.tls_set_context(tls_context(settings))
        self._voice.begin(client)
        client.connect(settings.host, settings.port, settings.keepalive_s)
        client.loop_start()
        if not answered.wait(settings.connect_timeout_s) or refused:
            client.loop_stop()
            raise ConnectionRefusedError(refused[0] if refused else "no answer to CONNECT")
        self._voice.greet(client)
        self._troubled("")
        return client
