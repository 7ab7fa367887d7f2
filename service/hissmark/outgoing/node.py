"""The site as a Sparkplug B edge node: births, data and death, and what a primary host has missed."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import paho.mqtt.client as mqtt
import structlog

from hissmark.judge.verdicts import Verdict
from hissmark.outgoing.edge import Edge, Row, asks_for_rebirth, metric_name
from hissmark.outgoing.missed import Missed, Part
from hissmark.outgoing.moments import now_ms
from hissmark.outgoing.primary import PrimaryHost
from hissmark.publish.live import LiveState
from hissmark.publish.shapes import LiveReading
from hissmark.publish.times import parse_rfc3339
from hissmark.store.blocks import UNKNOWN_CODE

log = structlog.get_logger("hissmark.outgoing")

SENT_S = 5.0
"""Longest wait for a message of the past to leave: they must not pile up before those of now."""


class EdgeNode:
    """Follows the live state by alias.

    Args:
        name: group and edge node.
        primary: the host that the data is for: nothing is told while it is offline. None: whoever listens.
        missed: what it missed is told when it is back.
    """

    suffix = "node"

    def __init__(
        self, name: tuple[str, str], live: LiveState, primary: PrimaryHost | None = None,
        missed: Missed | None = None,
    ) -> None:  # fmt: skip
        self._name, self._live, self._primary, self._missed = name, live, primary, missed
        self._connections = 0
        self._edge = Edge(*name, bd_seq=0)
        self._told: dict[str, tuple[str, bool]] = {}
        self._born = False
        self._rebirth = threading.Event()

    def begin(self, client: mqtt.Client) -> None:
        self._edge = Edge(*self._name, bd_seq=self._connections)
        self._connections += 1
        self._born = False
        if self._primary is not None:
            self._primary.forget()
        client.will_set(self._edge.topic("NDEATH"), self._edge.death(now_ms()), qos=1, retain=False)

    def greet(self, client: mqtt.Client) -> None:
        """Commands are listened for before the birth goes out (5.4); it waits for the primary host."""
        client.subscribe(self._edge.topic("NCMD"), qos=1)
        if self._primary is not None:
            client.subscribe(self._primary.topic, qos=1)

    def heard(self, topic: str, payload: bytes) -> None:
        if self._primary is not None and topic == self._primary.topic:
            self._primary.heard(payload)
        elif asks_for_rebirth(payload):
            self._rebirth.set()

    def tell(self, client: mqtt.Client) -> bool:
        """The groups whose tick or freshness is new; a birth where one is asked for or needed."""
        if self._primary is not None and not self._primary.online:
            if self._born:
                log.info("the primary host is offline: not told until it is back", host=self._primary.topic)
            return not self._born
        if self._rebirth.is_set() or not self._born:
            self._rebirth.clear()
            self._be_born(client)
        for reading in self._live.live_readings(self._live.layout.group_names):
            state = (reading["at"], reading["fresh"])
            if self._told.get(reading["group"]) != state and not self._tell(client, reading, state):
                break
        self._tell_missed(client)
        return True

    def say_goodbye(self, client: mqtt.Client) -> None:
        if self._missed is not None:
            self._missed.note(at_once=True)
        if self._born:
            told = client.publish(self._edge.topic("NDEATH"), self._edge.death(now_ms()), qos=1)
            told.wait_for_publish(1.0)

    def _be_born(self, client: mqtt.Client) -> None:
        readings = self._live.live_readings(self._live.layout.group_names)
        self._told = {r["group"]: (r["at"], r["fresh"]) for r in readings}
        client.publish(self._edge.topic("NBIRTH"), self._edge.birth(readings, now_ms()), qos=0)
        self._born = True
        if self._missed is not None:
            self._missed.born({r["group"]: parse_rfc3339(r["at"]) for r in readings})

    def _tell(self, client: mqtt.Client, reading: LiveReading, state: tuple[str, bool]) -> bool:
        """A group as it is now; False if its birth has to be told anew."""
        payload = self._edge.data(reading, now_ms())
        if payload is None:  # the register has changed since the birth
            self._be_born(client)
            return False
        self._told[reading["group"]] = state
        client.publish(self._edge.topic("NDATA"), payload, qos=0)
        if self._missed is not None:
            self._missed.told(reading["group"], parse_rfc3339(reading["at"]))
        return True

    def _tell_missed(self, client: mqtt.Client) -> None:
        if self._missed is None:
            return
        groups = {
            g: tuple(c.name for c in members) for g, members in self._live.layout.register.groups.items()
        }
        for part in self._missed.parts(groups):
            payload = self._edge.past(self._rows(part), now_ms())
            sent = client.publish(self._edge.topic("NDATA"), payload, qos=0)
            sent.wait_for_publish(SENT_S)
            if not sent.is_published():
                return  # it is told again

    def _rows(self, part: Part) -> Iterator[Row]:
        """In the order of time, as they would have been told."""
        channels = {c.name: c for c in self._live.layout.channels}
        for name, found in part.channels.items():
            channel = channels[name]
            for i, at_us in enumerate(found.time_us.tolist()):
                for metric, values in (
                    ("Level", found.level_db), ("Baseline", found.baseline_db), ("Rise", found.rise_db),
                ):  # fmt: skip
                    value = float(values[i])
                    known = round(value, 3) if np.isfinite(value) else None
                    yield metric_name(part.group, channel.subject, metric), at_us // 1000, known
                if channel.valve is not None:
                    code = int(found.verdict[i])
                    verdict = None if code == UNKNOWN_CODE else Verdict(code).text
                    yield metric_name(part.group, channel.subject, "Verdict"), at_us // 1000, verdict
