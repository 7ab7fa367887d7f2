"""One connection to the broker, from connect to its end, served by one thread."""

from __future__ import annotations

import contextlib
import selectors
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import structlog
from paho.mqtt.client import ConnectFlags, DisconnectFlags
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from hissmark.decode.message import Message
from hissmark.ingest.client import FastClient
from hissmark.ingest.health import Gauge
from hissmark.ingest.packets import PacketReader, generations_of
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import failure, farewell, refusal

log = structlog.get_logger("hissmark.ingest")

IDLE_S = 1.0
COALESCE_S = 0.003
"""Pause after a small read: under load the next one then brings many messages instead of one."""
SMALL_READ_BYTES = 1 << 15
RETRY_REFUSED_S = 60.0
GOODBYE_S = 2.0


class Shared:
    """What outlives a connection: the queue, acknowledgements to be sent, the bell that wakes the thread."""

    def __init__(self, queue: MessageQueue, gauge: Gauge, now_us: Callable[[], int], keep_bytes: int) -> None:
        self.queue = queue
        self.gauge = gauge
        self.now_us = now_us
        self.keep_bytes = keep_bytes
        self.acks: deque[list[int]] = deque()
        self.stopping = False
        self.had_session = False
        self.was_connected = False
        self.removed: tuple[str, ...] = ()
        self.bell, self._ring = socket.socketpair()
        self.bell.setblocking(False)
        self._ring.setblocking(False)

    def wake(self) -> None:
        """Make the serving thread look around. Safe from any thread."""
        with contextlib.suppress(OSError):  # enough rings are waiting, or nobody listens any more
            self._ring.send(b"!")

    def close(self) -> None:
        """Give the bell back; nobody may wait for it any more."""
        self.bell.close()
        self._ring.close()

    def silence(self) -> None:
        """Take the rings that have been heard."""
        with contextlib.suppress(OSError):
            while self.bell.recv(4096):
                pass


class Connection:
    """Connects, subscribes, receives into the queue, acknowledges, until the connection ends or we stop."""

    def __init__(self, settings: MqttSettings, generation: int, shared: Shared) -> None:
        self._settings = settings
        self._generation = generation
        self._shared = shared
        self._ended: str | None = None
        self._up = False
        self._subscribe_due_s: float | None = None
        self._asked: dict[int, tuple[str, ...]] = {}
        reader = PacketReader(
            version5=settings.protocol == 5, generation=generation, keep_bytes=shared.keep_bytes
        )
        self._client = FastClient(settings, reader, self._take, shared.now_us)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_unsubscribe = self._on_unsubscribe
        self._ping_every_s = settings.keepalive_s / 2
        self._silence_limit_s = settings.connect_timeout_s
        self._last_read_s = 0.0

    def run(self) -> str | None:
        """Serve until the end. Returns what went wrong, in words; None if we were asked to stop."""
        try:
            self._open()
            self._serve()
        except MemoryError:
            raise  # no fault of the broker's: to connect again would need as much of it
        except Exception as error:
            self._ended = failure(error, self._settings)
        finally:
            self._shared.gauge.set(connected=False, subscribed=False, paused=False)
            self._close()
        return None if self._shared.stopping else self._ended or "the connection ended"

    @property
    def was_up(self) -> bool:
        """Whether the broker had accepted us."""
        return self._up

    def _open(self) -> None:
        settings = self._settings
        if settings.username is not None:
            self._client.username_pw_set(settings.username, password(settings))
        if settings.uses_tls:
            self._client.tls_set_context(tls_context(settings))
        self._client.open()

    def _close(self) -> None:
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    # The loop

    def _serve(self) -> None:
        now_s = time.monotonic()
        self._last_read_s = next_ping_s = now_s
        next_ping_s += self._ping_every_s
        with selectors.DefaultSelector() as selector:
            selector.register(self._shared.bell, selectors.EVENT_READ)
            sock = self._client.socket()
            selector.register(sock, selectors.EVENT_READ)  # type: ignore[arg-type] # a socket
            while self._client.socket() is not None:
                self._turn(selector, sock)
                now_s = time.monotonic()
                if now_s >= next_ping_s and self._up:
                    self._client.ping()
                    next_ping_s = now_s + self._ping_every_s
                if now_s - self._last_read_s > self._silence_limit_s:
                    self._ended = f"the broker was silent for {self._silence_limit_s:g} s"
                    return
                if self._shared.stopping:
                    self._say_goodbye()
                    return

    def _turn(self, selector: selectors.BaseSelector, sock: Any) -> None:
        """Wait for something to do and do it."""
        paused = self._look_at_queue()
        wanted = (0 if paused else selectors.EVENT_READ) | (
            selectors.EVENT_WRITE if self._client.want_write() else 0
        )
        _listen(selector, sock, wanted)
        pending = not paused and hasattr(sock, "pending") and sock.pending() > 0
        ready = {key.fileobj: events for key, events in selector.select(0 if pending else IDLE_S)}
        if self._shared.bell in ready:
            self._shared.silence()
        self._send_acks()
        if pending or ready.get(sock, 0) & selectors.EVENT_READ:
            self._last_read_s = time.monotonic()
            self._client.loop_read()
            if 0 < self._client.bytes_read < SMALL_READ_BYTES and self._up:
                time.sleep(COALESCE_S)
        self._subscribe_if_due()
        if self._client.socket() is not None and self._client.want_write():
            self._client.loop_write()

    def _look_at_queue(self) -> bool:
        """Whether to leave the socket alone. The broker's silence does not count then: we do not listen."""
        paused = not self._shared.queue.has_room()
        if paused:
            self._last_read_s = time.monotonic()
        if paused != self._shared.gauge.now().paused:
            self._shared.gauge.set(paused=paused)
            self._shared.gauge.count(pauses=int(paused))
        return paused

    def _take(self, messages: list[Message]) -> None:
        self._shared.queue.offer(messages)
        self._shared.gauge.count(messages=len(messages), payload_bytes=sum(m.size for m in messages))
        self._shared.gauge.set(last_message_us=messages[-1].received_us)

    def _send_acks(self) -> None:
        """Queue what the writer acknowledged, in its order; tokens of older connections mean nothing here."""
        waiting: list[int] = []
        while self._shared.acks:
            waiting += self._shared.acks.popleft()
        if not waiting:
            return
        tokens = np.array(waiting, np.int64)
        mine = tokens[generations_of(tokens) == self._generation] if self._up else tokens[:0]
        if len(mine) < len(tokens):
            self._shared.gauge.count(acks_dropped=len(tokens) - len(mine))
        if len(mine):
            self._client.acknowledge(mine)

    def _say_goodbye(self) -> None:
        """Send what is still to be acknowledged, then DISCONNECT; the session stays."""
        self._send_acks()
        self._client.disconnect()
        deadline_s = time.monotonic() + GOODBYE_S
        while self._client.socket() is not None and self._client.want_write():
            if time.monotonic() > deadline_s:
                return
            self._client.loop_write()
            time.sleep(0.005)

    # Subscribing

    def _subscribe_if_due(self) -> None:
        if self._subscribe_due_s is None or time.monotonic() < self._subscribe_due_s:
            return
        self._subscribe_due_s = None
        if self._shared.removed:
            self._client.unsubscribe(list(self._shared.removed))
        if not self._settings.filters:  # Sparkplug sources only: they have a connection of their own
            self._shared.gauge.set(subscribed=True)
        qos = {source.filter: source.qos for source in reversed(self._settings.sources)}
        filters = self._settings.filters
        packet_id = self._client.subscribe_to([(f, qos[f]) for f in filters]) if filters else None
        if packet_id is not None:
            self._asked[packet_id] = filters

    # Callbacks of paho, all on the serving thread. They note what happened and never raise.

    def _on_connect(
        self,
        client: object,
        data: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._ended = refusal(reason, self._settings)
            return
        keepalive_s = getattr(properties, "ServerKeepAlive", None) or self._settings.keepalive_s
        self._ping_every_s = min(self._ping_every_s, keepalive_s / 2)
        self._silence_limit_s = keepalive_s * 1.5
        self._up = True
        self._subscribe_due_s = 0.0
        gauge = self._shared.gauge
        gauge.set(connected=True)
        gauge.count(reconnects=int(self._shared.was_connected))
        self._shared.was_connected = True
        if self._shared.had_session and not flags.session_present:
            gauge.count(session_losses=1)
            log.warning("broker forgot the session", broker=self._settings.host)
        log.info("connected", broker=self._settings.host, session_present=flags.session_present)

    def _on_disconnect(
        self,
        client: object,
        data: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._ended is None and not self._shared.stopping:
            said = reason if flags.is_disconnect_packet_from_server else None
            self._ended = farewell(said, self._up, self._settings)

    def _on_subscribe(
        self, client: object, data: object, packet_id: int, reasons: list[ReasonCode], properties: object
    ) -> None:
        self._shared.had_session = True
        filters = self._asked.pop(packet_id, ())
        refused = _refused(filters, reasons, self._settings)
        self._shared.gauge.set(refused=refused, subscribed=True)
        log.info("subscribed", filters=[f for f in filters if f not in refused])
        for filter_text, why in refused.items():
            log.error("subscription refused", filter=filter_text, reason=why)
        if refused:
            self._subscribe_due_s = time.monotonic() + RETRY_REFUSED_S

    def _on_unsubscribe(self, *_: object) -> None:
        self._shared.removed = ()


def _refused(filters: Sequence[str], reasons: Sequence[ReasonCode], settings: MqttSettings) -> dict[str, str]:
    """Which filters were not granted as asked, and why."""
    wanted = {source.filter: source.qos for source in reversed(settings.sources)}
    refused: dict[str, str] = {}
    for filter_text, reason in zip(filters, reasons, strict=False):
        if reason.is_failure:
            refused[filter_text] = str(reason)
        elif reason.value < wanted[filter_text]:
            refused[filter_text] = f"granted at QoS {reason.value} only: messages may be lost"
    for filter_text in filters[len(reasons) :]:
        refused[filter_text] = "the broker did not answer for it"
    return refused


def _listen(selector: selectors.BaseSelector, sock: Any, wanted: int) -> None:
    """Listen for just these events; none at all while there is neither room nor anything to send."""
    known = selector.get_map().get(sock)
    if known is None and wanted:
        selector.register(sock, wanted)
    elif known is not None and not wanted:
        selector.unregister(sock)
    elif known is not None and known.events != wanted:
        selector.modify(sock, wanted)
