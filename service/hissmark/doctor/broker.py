"""Can the broker be reached, does it accept us, and does it grant what we subscribe to."""

from __future__ import annotations

import secrets
import ssl
import threading
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from hissmark.doctor.finding import Finding, fine, wrong
from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure, refusal
from hissmark.site.load import Site

_AREA = "broker"


def look_at_broker(site: Site, patience_s: float) -> Iterator[Finding]:
    """Connects under a client id of its own, so that the service's session is not touched; sends nothing."""
    if site.settings.mqtt is None:
        yield wrong(_AREA, "There is no [mqtt] table: nothing is received.", "Add it; see config/site.toml.")
        return
    settings = site.mqtt
    where = f"{settings.host}:{settings.port}"
    trial = _Trial(settings)
    trouble = trial.run(patience_s)
    if trouble:
        yield wrong(
            _AREA, f"{trouble[0].upper()}{trouble[1:]}.", "See whether the broker runs and lets this user in."
        )
        return
    yield fine(_AREA, f"{where} accepts us.")
    for text in (*settings.filters, *settings.sparkplug_filters):
        answer = trial.granted.get(text, "no answer came")
        if answer:
            do = "Let this user read these topics in the broker's access list."
            yield wrong(_AREA, f"The broker does not grant {text!r}: {answer}.", do)
        else:
            yield fine(_AREA, f"{text} is granted.")


class _Trial:
    """One short connection. `granted`: filter -> why not, "" if it is."""

    def __init__(self, settings: MqttSettings) -> None:
        self._settings = settings
        self.granted: dict[str, str] = {}
        self._trouble = f"broker {settings.host}:{settings.port} did not answer in time"
        self._done = threading.Event()

    def run(self, patience_s: float) -> str:
        """Connect and subscribe. Returns what went wrong; "" if nothing did."""
        settings = self._settings
        version5 = settings.protocol == 5
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"hissmark-doctor-{secrets.token_hex(4)}",
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
        )
        client.connect_timeout = patience_s
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
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
        client.disconnect()
        client.loop_stop()
        return self._trouble

    def _filters(self) -> list[str]:
        return [*self._settings.filters, *self._settings.sparkplug_filters]

    def _on_connect(self, client: mqtt.Client, data: object, flags: object, reason: Any, _: object) -> None:
        if reason.is_failure:
            self._trouble = refusal(reason, self._settings)
            self._done.set()
            return
        self._trouble = ""
        if not self._filters():
            self._done.set()
            return
        client.subscribe([(f, 1) for f in self._filters()])

    def _on_subscribe(self, client: object, data: object, mid: int, reasons: list[Any], _: object) -> None:
        for text, reason in zip(self._filters(), reasons, strict=False):
            self.granted[text] = str(reason) if reason.is_failure else ""
        self._done.set()
