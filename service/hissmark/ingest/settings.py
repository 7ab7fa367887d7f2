"""How the receiver reaches its broker, as a plain value."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from hissmark.decode.source import MqttSource

Protocol = Literal[5, 311]


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """The `[mqtt]` table. Raises ValueError that says which field is wrong and why.

    Attributes:
        host, port: the broker.
        client_id: stable; the broker files the session under it, so a changing one loses what was queued.
        protocol: 5 (MQTT 5, the default: the window of unacknowledged messages is ours to set, refusals carry
            reasons) or 311 (MQTT 3.1.1, for brokers without 5; the broker's own window applies).
        keepalive_s: longest silence on the connection; a dead peer is noticed after one and a half of it.
        session_expiry_s: how long the broker keeps the session while we are away (MQTT 5).
        username, password_file: credentials; the file is read again on each connect, so it can be changed.
        tls: encrypt; implied by `ca_file`. Without `ca_file` the system's own authorities are believed.
        ca_file: certificate authority that signed the broker's certificate (PEM).
        cert_file, key_file: our own certificate, if the broker asks for one (PEM).
        receive_maximum: unacknowledged messages the broker may have in flight (MQTT 5). More keeps a fast
            stream moving over slow commits; it also is what may be sent twice after a crash.
        queue_mb: memory for what waits between broker and store, MB; what does not fit waits in the broker.
        connect_timeout_s: longest wait for the broker to answer.
        sources: what to subscribe to.
        sparkplug_host: our name as Sparkplug host application, for sources of format `sparkplug`.
    """

    host: str
    client_id: str
    sources: tuple[MqttSource, ...]
    port: int = 1883
    protocol: Protocol = 5
    keepalive_s: int = 30
    session_expiry_s: int = 7 * 24 * 3600
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    receive_maximum: int = 20_000
    queue_mb: int = 64
    connect_timeout_s: float = 5.0
    sparkplug_host: str | None = None

    def __post_init__(self) -> None:
        if not self.host:
            raise ValueError("host: is empty; give the broker's name or address")
        if not self.client_id:
            raise ValueError(
                "client_id: is empty; give a stable name of this site's own, e.g. hissmark-north: "
                "the broker keeps what arrives while we are away under it"
            )
        if not 1 <= self.port <= 65535:
            raise ValueError(f"port: {self.port} is not between 1 and 65535")
        if self.protocol not in (5, 311):
            raise ValueError(f"protocol: {self.protocol} is not 5 (MQTT 5) or 311 (MQTT 3.1.1)")
        if not 5 <= self.keepalive_s <= 65535:
            raise ValueError(f"keepalive_s: {self.keepalive_s} is not between 5 and 65535 seconds")
        if not 1 <= self.receive_maximum <= 65535:
            raise ValueError(f"receive_maximum: {self.receive_maximum} is not between 1 and 65535 messages")
        if not 8 <= self.queue_mb <= 65_536:
            raise ValueError(f"queue_mb: {self.queue_mb} is not between 8 and 65536 MB")
        if self.sparkplug_filters and not is_sparkplug_id(self.sparkplug_host or ""):
            raise ValueError(
                "sparkplug_host: a source of format sparkplug needs the name under which edge nodes see this "
                "host online, e.g. hissmark-north, without + # /"
            )
        if self.cert_file is not None and self.key_file is None:
            raise ValueError("key_file: is missing; cert_file needs the key that belongs to it")

    @property
    def uses_tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self.tls or self.ca_file is not None

    @property
    def filters(self) -> tuple[str, ...]:
        """What is subscribed to in the session that outlives us, in order, each once."""
        return tuple(dict.fromkeys(s.filter for s in self.sources if s.format != "sparkplug"))

    @property
    def sparkplug_filters(self) -> tuple[str, ...]:
        """What is subscribed to as Sparkplug host application, in a session that begins anew each time."""
        return tuple(dict.fromkeys(s.filter for s in self.sources if s.format == "sparkplug"))


def is_sparkplug_id(text: str) -> bool:
    """Whether a text may be part of a Sparkplug topic (Sparkplug 3.0, 4.1 and 4.2)."""
    return bool(text) and text.isprintable() and not set(text) & set("+#/")
