"""Messages of Sparkplug edge nodes to columns. Unlike the other formats this one has a memory: births."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from hissmark.decode.columns import RejectReason
from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.decode.names import is_storable_name
from hissmark.decode.raw import Names, Raw
from hissmark.decode.rejects import Turned, failed
from hissmark.decode.sparkplug_nodes import Meaning, Node, NodeKey, Nodes
from hissmark.decode.sparkplug_payload import (
    Topic,
    host_of,
    is_bad,
    number_of,
    parse_payload,
    parse_topic,
)
from hissmark.decode.times import NO_TIME_US

MAX_MS = 4_102_444_800_000
_CONTROL = ("Node Control/", "Device Control/", "bdSeq")
_NUMERIC = frozenset(range(1, 12)) | {13, 0}
Row = tuple[int, str, int, float, bool]
"""Message, name, time in microseconds, value, whether the time is that of receipt."""


class SparkplugReader:
    """Reads all messages of Sparkplug sources of one call, in order of arrival.

    Args:
        host_id: our name as host application; our own STATE marks the beginning of a connection.
    """

    def __init__(self, limits: Limits, host_id: str) -> None:
        self._limits = limits
        self._host_id = host_id
        self.nodes = Nodes(round(limits.reorder_s * 1e6))

    def read(self, messages: Sequence[Message], at: Sequence[int], names: Names, turned: Turned) -> Raw:
        """Decode the messages numbered `at`; what cannot be used goes to `turned`."""
        rows: list[Row] = []
        for i in at:
            before = len(rows)
            try:
                self._message(i, messages[i], names, turned, rows)
            except MemoryError:
                raise  # no fault of the message
            except Exception as error:  # half of it may have been read: none of it counts
                del rows[before:]
                turned.forget(i)
                turned.add(i, RejectReason.UNREADABLE, failed(error))
                self._distrust(messages[i])
        return Raw(
            np.array([row[0] for row in rows], np.int64),
            names.column([row[1] for row in rows]),
            np.array([row[2] for row in rows], np.int64),
            np.array([row[3] for row in rows], np.float64),
            np.array([row[4] for row in rows], np.bool_),
        )

    def _distrust(self, message: Message) -> None:
        """What is known of the node may be half of what it said: it is asked for its birth."""
        topic = parse_topic(message.topic)
        node = self.nodes.of((topic.group, topic.node)) if topic else None
        if topic and node is not None and topic.kind.endswith("BIRTH"):
            node.born = False
            self.nodes.want_birth((topic.group, topic.node))

    def _message(self, i: int, message: Message, names: Names, turned: Turned, rows: list[Row]) -> None:
        host = host_of(message.topic)
        if host is not None:
            if host == self._host_id:
                self.nodes.forget()
            return
        topic = parse_topic(message.topic)
        if topic is None:
            detail = "no topic of a Sparkplug edge node (spBv1.0/GROUP/KIND/NODE[/DEVICE])"
            turned.add(i, RejectReason.BAD_TOPIC, detail)
            return
        if topic.kind.endswith("CMD"):  # what another host asked of a node
            return
        payload = parse_payload(message.payload)
        if payload is None:
            turned.add(i, RejectReason.NOT_PROTOBUF, "the payload is not Sparkplug B")
            return
        if len(payload.metrics) > self._limits.max_records:
            detail = f"{len(payload.metrics)} metrics; at most {self._limits.max_records} are read"
            turned.add(i, RejectReason.TOO_MANY_RECORDS, detail)
            return
        self._payload(_Read(i, message, topic, payload, names, turned, rows))

    def _payload(self, read: _Read) -> None:
        topic = read.topic
        if topic.kind == "NDEATH":
            self.nodes.death(read.node_key, _bd_seq(read.payload))
            return
        seq = int(read.payload.seq) if read.payload.HasField("seq") else None
        if topic.kind == "NBIRTH":
            node = self.nodes.birth(read.node_key, _bd_seq(read.payload), seq)
        else:
            node = self.nodes.of(read.node_key)
        if node is None:
            read.turn(RejectReason.NOT_BORN, "too many edge nodes", len(read.payload.metrics))
            return
        if not node.born:
            self.nodes.want_birth(read.node_key)
            detail = f"{topic.group}/{topic.node} sent data before its birth; it was asked for one"
            read.turn(RejectReason.NOT_BORN, detail, max(1, len(read.payload.metrics)))
            return
        if topic.kind != "NBIRTH":
            self.nodes.in_order(read.node_key, node, seq, read.message.received_us)
        if topic.kind == "DDEATH":
            return
        if topic.kind == "DBIRTH":
            self.nodes.device_birth(node, topic.device or "")
        self._metrics(read, node)

    def _metrics(self, read: _Read, node: Node) -> None:
        born_now = read.topic.kind.endswith("BIRTH")
        for metric in read.payload.metrics:
            meaning = _meaning(metric, read.topic, node)
            if meaning is None:
                self.nodes.want_birth(read.node_key)
                read.turn(RejectReason.NOT_BORN, f"alias {metric.alias} was not announced by a birth")
                continue
            if born_now:
                alias = int(metric.alias) if metric.HasField("alias") else None
                self.nodes.announce(node, read.topic.device or "", alias, meaning)
            read.metric(metric, meaning, announced=born_now)


class _Read:
    """One message on its way: where rows and rejects of its metrics go."""

    def __init__(
        self, i: int, message: Message, topic: Topic, payload: Any, names: Names, turned: Turned,
        rows: list[Row],
    ) -> None:  # fmt: skip
        self._i, self._names, self._turned, self._rows = i, names, turned, rows
        self.message, self.topic, self.payload = message, topic, payload
        self.node_key: NodeKey = (topic.group, topic.node)

    def turn(self, reason: RejectReason, detail: str, count: int = 1) -> None:
        """Turn away some of the message."""
        self._turned.add(self._i, reason, detail, count)

    def metric(self, metric: Any, meaning: Meaning, *, announced: bool) -> None:
        """One metric's value as a row, or why not. A birth may announce what has no value yet."""
        name, local = meaning.name, meaning.name[len(self.topic.place) + 1 :]
        known = name in self._names.known
        if metric.is_transient or (not known and (local.startswith(_CONTROL) or not _is_numeric(meaning))):
            return
        if not is_storable_name(name):
            self.turn(RejectReason.BAD_NAME, f"{name[:80]!r} cannot be the name of a series")
        elif metric.is_null:
            if known and not announced:
                self.turn(RejectReason.MISSING_VALUE, f"{name}: the value is null")
        elif is_bad(metric):
            self.turn(RejectReason.BAD_QUALITY, f"{name}: its sender says that the value is not good")
        else:
            value = number_of(metric, meaning.datatype)
            if value is None:
                self.turn(RejectReason.WRONG_TYPE, f"{name}: is of type {meaning.datatype}, not a number")
                return
            time_us, receipt = self._time(metric)
            self._rows.append((self._i, name, time_us, value, receipt))

    def _time(self, metric: Any) -> tuple[int, bool]:
        for carrier in (metric, self.payload):
            if carrier.HasField("timestamp"):
                ms = int(carrier.timestamp)
                return (ms * 1000 if ms < MAX_MS else NO_TIME_US), False
        return self.message.received_us, True


def _meaning(metric: Any, topic: Topic, node: Node) -> Meaning | None:
    """Full name and type of a metric: by its name, else by its alias; None if that is unknown."""
    if metric.HasField("name") and metric.name:
        name = f"{topic.place}/{metric.name}"
        return Meaning(name, int(metric.datatype) or node.types.get(name, 0))
    return node.aliases.get(int(metric.alias)) if metric.HasField("alias") else None


def _is_numeric(meaning: Meaning) -> bool:
    return meaning.datatype in _NUMERIC


def _bd_seq(payload: Any) -> int | None:
    for metric in payload.metrics:
        if metric.name == "bdSeq":
            return int(metric.long_value if metric.HasField("long_value") else metric.int_value)
    return None
