"""The site as a Sparkplug B edge node: births, data by alias, sequence numbers (3.0, chapters 4 to 6)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from hissmark.decode.sparkplug_payload import GOOD, NAMESPACE, Payload, parse_payload
from hissmark.publish.shapes import ChannelReading, LiveReading

INT32, INT64, DOUBLE, BOOLEAN, STRING = 3, 4, 10, 11, 12
STALE = 500
"""Value of the property `Quality` of what is too old (6.4.13)."""
REBIRTH = "Node Control/Rebirth"
Row = tuple[str, int, float | str | None]
"""Full name of a metric, time in milliseconds since 1970 UTC, value."""
_VALUES = (("Level", "level_db"), ("Baseline", "baseline_db"), ("Rise", "rise_db"))


class Edge:
    """Payloads of one edge node. One instance a connection: `bd_seq` is that of its birth and of its will."""

    def __init__(self, group: str, node: str, bd_seq: int) -> None:
        self._place = f"{NAMESPACE}/{group}/{{}}/{node}"
        self._bd_seq = bd_seq % 256
        self._seq = 0
        self._aliases: dict[str, int] = {}

    def topic(self, kind: str) -> str:
        """Of NBIRTH, NDATA, NDEATH or NCMD."""
        return self._place.format(kind)

    def death(self, now_ms: int) -> bytes:
        """The will: it carries bdSeq only, and no seq."""
        payload = Payload(timestamp=now_ms)
        payload.metrics.add(name="bdSeq", timestamp=now_ms, datatype=INT64, long_value=self._bd_seq)
        return bytes(payload.SerializeToString())

    def birth(self, readings: Iterable[LiveReading], now_ms: int) -> bytes:
        """Every metric with name, alias, type and value; begins the sequence anew at 0."""
        self._seq = 0
        self._aliases.clear()
        payload = Payload(timestamp=now_ms, seq=self._next())
        payload.metrics.add(name="bdSeq", timestamp=now_ms, datatype=INT64, long_value=self._bd_seq)
        payload.metrics.add(name=REBIRTH, timestamp=now_ms, datatype=BOOLEAN, boolean_value=False)
        for reading in readings:
            self._add(payload, reading, born=True)
        return bytes(payload.SerializeToString())

    def data(self, reading: LiveReading, now_ms: int) -> bytes | None:
        """What a group says now, by alias; None if it holds a channel that the birth did not have."""
        payload = Payload(timestamp=now_ms)
        if not self._add(payload, reading, born=False):
            return None
        payload.seq = self._next()
        return bytes(payload.SerializeToString())

    def past(self, rows: Iterable[Row], now_ms: int) -> bytes:
        """Values of times gone by, by alias, as historical ones; what the birth did not have is left out."""
        payload = Payload(timestamp=now_ms, seq=self._next())
        for name, at_ms, value in rows:
            alias = self._aliases.get(name)
            if alias is not None:
                metric = payload.metrics.add(alias=alias, timestamp=at_ms, is_historical=True)
                _put(metric, value, fresh=True)
        return bytes(payload.SerializeToString())

    def _next(self) -> int:
        seq, self._seq = self._seq, (self._seq + 1) % 256
        return seq

    def _add(self, payload: Any, reading: LiveReading, *, born: bool) -> bool:
        at_ms = round(datetime.fromisoformat(reading["at"]).timestamp() * 1000)
        for channel in reading["channels"]:
            subject = channel["valve"] or channel["channel"]
            for name, value in _metrics(channel):
                full = metric_name(reading["group"], subject, name)
                if born:
                    self._aliases.setdefault(full, len(self._aliases) + 1)
                alias = self._aliases.get(full)
                if alias is None:
                    return False
                metric = payload.metrics.add(alias=alias, timestamp=at_ms)
                if born:
                    metric.name, metric.datatype = full, STRING if name == "Verdict" else DOUBLE
                _put(metric, value, fresh=reading["fresh"])
        return True


def metric_name(group: str, subject: str, name: str) -> str:
    """Name of a metric of a valve or reference point."""
    return f"{group}/{subject}/{name}"


def _metrics(channel: ChannelReading) -> list[tuple[str, float | str | None]]:
    found: list[tuple[str, float | str | None]] = [(name, channel[key]) for name, key in _VALUES]  # type: ignore[literal-required]
    if channel["valve"] is not None:
        found.append(("Verdict", channel["verdict"]))
    return found


def _put(metric: Any, value: float | str | None, *, fresh: bool) -> None:
    if value is None:
        metric.is_null = True
    elif isinstance(value, str):
        metric.string_value = value
    else:
        metric.double_value = value
    metric.properties.keys.append("Quality")  # always: whoever remembers properties must hear it end
    metric.properties.values.add(type=INT32, int_value=GOOD if fresh else STALE)


def asks_for_rebirth(payload: bytes) -> bool:
    """Whether an NCMD asks for the birth."""
    made = parse_payload(payload)
    return made is not None and any(m.name == REBIRTH and m.boolean_value for m in made.metrics)
