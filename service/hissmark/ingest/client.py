"""paho's client with reading and acknowledging replaced: large reads, PUBLISH parsed in bulk, PUBACKs joined.

paho reads every packet with several small `recv` calls and writes every PUBACK by itself, which holds it to a
quarter of what a broker delivers. Connecting, TLS, subscribing and all other packets stay paho's business.
The private parts used here are listed in `PRIVATE`; the package pins the versions of paho that have them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from hissmark.decode.message import Message
from hissmark.ingest.packets import MalformedError, PacketReader, acknowledgements
from hissmark.ingest.settings import MqttSettings

PRIVATE = ("_sock_recv", "_packet_handle", "_packet_queue", "_loop_rc_handle", "_in_packet")

READ_BYTES = 1 << 16
READ_AT_MOST_BYTES = 1 << 18

PUBACK, PINGREQ = 0x40, 0xC0


class FastClient(mqtt.Client):
    """One connection's client; the owner runs the loop.

    Args:
        settings: where and how to connect.
        reader: parser for this connection.
        on_messages: takes messages as they come, on the owner's thread.
        now_us: clock for the time of receipt.
    """

    def __init__(
        self,
        settings: MqttSettings,
        reader: PacketReader,
        on_messages: Callable[[list[Message]], None],
        now_us: Callable[[], int],
    ) -> None:
        version5 = settings.protocol == 5
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=None if version5 else False,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.connect_timeout = settings.connect_timeout_s
        self.on_socket_register_write = _nothing  # we ask `want_write`; without it paho writes on any thread
        self._settings = settings
        self._reader = reader
        self._on_messages = on_messages
        self._now_us = now_us
        self.bytes_read = 0

    def open(self) -> None:
        """Connect (TCP and TLS) and queue CONNECT for the persistent session. Raises OSError."""
        settings = self._settings
        options: dict[str, Any] = {}
        if settings.protocol == 5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = settings.session_expiry_s
            properties.ReceiveMaximum = settings.receive_maximum
            options = {"clean_start": False, "properties": properties}
        self.connect(settings.host, settings.port, settings.keepalive_s, **options)

    def subscribe_to(self, filters: Sequence[tuple[str, int]]) -> int | None:
        """Queue one SUBSCRIBE for (filter, QoS) pairs; returns its packet id."""
        if self._settings.protocol == 5:
            # Retained messages only where the subscription is new, not after every lost connection.
            new_only = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            return self.subscribe(
                [(f, SubscribeOptions(qos, retainHandling=new_only)) for f, qos in filters]
            )[1]
        return self.subscribe(list(filters))[1]

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what is there (up to a quarter megabyte) and handle it."""
        data, lost = self._read()
        self.bytes_read = len(data)
        try:
            messages, control = self._reader.feed(data, self._now_us())
        except MalformedError:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_PROTOCOL)
        if messages:
            self._on_messages(messages)
        for first, body in control:
            rc = self._handle(first, body)
            if rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return self._loop_rc_handle(rc)
            if self.socket() is None:
                return MQTTErrorCode.MQTT_ERR_NO_CONN
        return (
            self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST) if lost else MQTTErrorCode.MQTT_ERR_SUCCESS
        )

    def _read(self) -> tuple[bytes, bool]:
        """Bytes that have arrived, and whether the connection is gone."""
        chunks: list[bytes] = []
        size = 0
        while size < READ_AT_MOST_BYTES:
            try:
                chunk = self._sock_recv(READ_BYTES)
            except BlockingIOError:
                break
            except OSError:
                return b"".join(chunks), True
            if not chunk:
                return b"".join(chunks), True
            chunks.append(chunk)
            size += len(chunk)
        return b"".join(chunks), False

    def _handle(self, first: int, body: bytes) -> MQTTErrorCode:
        """Let paho handle one packet that is no PUBLISH."""
        packet = self._in_packet
        packet["command"], packet["packet"], packet["remaining_length"] = first, bytearray(body), len(body)
        packet["have_remaining"], packet["to_process"], packet["pos"] = 1, 0, 0
        try:
            return self._packet_handle()
        except MemoryError:
            raise
        except Exception:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        finally:
            packet["command"] = packet["have_remaining"] = 0

    def acknowledge(self, tokens: npt.NDArray[np.int64]) -> None:
        """Queue the acknowledgements of messages by their tokens, in this order, as one write."""
        self._packet_queue(PUBACK, acknowledgements(tokens), 0, 1)

    def ping(self) -> None:
        """Queue a PINGREQ. (paho's own sets a deadline for the answer, which we may not be reading yet.)"""
        self._packet_queue(PINGREQ, bytes((PINGREQ, 0)), 0, 0)


def _nothing(*_: object) -> None:
    pass
