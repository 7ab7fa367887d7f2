"""From messages to columns: finds the source of each topic, reads by its format, checks what came out."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from hissmark.decode.checks import Checked, check
from hissmark.decode.columns import Batch, Decoded, Reject, RejectReason, UnknownName
from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.decode.names import NameTemplate, is_storable_name
from hissmark.decode.raw import Names, Raw
from hissmark.decode.read_json import JsonReader
from hissmark.decode.read_senml import SenmlReader
from hissmark.decode.read_sparkplug import SparkplugReader
from hissmark.decode.rejects import Turned, failed, printable
from hissmark.decode.source import MqttSource
from hissmark.decode.sparkplug_nodes import NodeKey
from hissmark.decode.sparkplug_payload import host_of
from hissmark.decode.topics import matches
from hissmark.decode.units import UnitRule

LONGEST_REMEMBERED = 512
"""Characters of a topic whose route is remembered; longer ones could fill the memory."""


@dataclass(frozen=True, slots=True)
class _Route:
    """Where messages of one topic go. `reason` is set if nowhere; `name` is that of a `json` topic."""

    source: int = -1
    name: str = ""
    reason: RejectReason | None = None
    detail: str = ""


class Decoder:
    """Decodes messages of the given sources. Never raises, whatever the bytes.

    Should reading a message fail in a way that nobody thought of, that one is turned away as unreadable.

    Args:
        sources: in order of precedence; a topic belongs to the first whose filter matches.
        names: known name -> index (`Layout.series_index()`).
        limits: bounds on what is believed.
        levels: those of the names that are levels and so must come in dB or without a unit.
        host_id: our name as Sparkplug host application; needed if a source is `sparkplug`.
    """

    def __init__(
        self,
        sources: Sequence[MqttSource],
        names: dict[str, int],
        limits: Limits | None = None,
        levels: Collection[str] = (),
        host_id: str = "",
    ) -> None:
        self._sources = tuple(sources)
        self._names = names
        self._name_of = {index: name for name, index in names.items()}
        self._limits = limits or Limits()
        self._units = UnitRule(levels)
        self._senml = SenmlReader(self._limits, self._units)
        self._sparkplug = SparkplugReader(self._limits, host_id)
        self._first_sparkplug = next(
            (i for i, s in enumerate(self._sources) if s.format == "sparkplug"), None
        )
        self._json = {i: JsonReader(s) for i, s in enumerate(self._sources) if s.format == "json"}
        self._templates = {
            i: None if s.name_template is None else NameTemplate.parse(s.name_template)
            for i, s in enumerate(self._sources)
        }
        self._routes: dict[str, _Route] = {}

    def under(self, names: dict[str, int], levels: Collection[str]) -> Decoder:
        """The same with other known names; Sparkplug edge nodes stay born. The old one is done with."""
        other = Decoder(self._sources, names, self._limits, levels)
        other._sparkplug = self._sparkplug
        return other

    def decode(self, messages: Sequence[Message], now_us: int) -> Decoded:
        """Samples in order of arrival, what was turned away, and names that nobody registered.

        Args:
            messages: in order of receipt.
            now_us: the service's clock, for times that lie ahead of it.
        """
        try:
            return self._decode(messages, now_us)
        except MemoryError:
            raise  # no fault of the messages: they may not be turned away for it
        except Exception as error:
            if len(messages) == 1:
                return _unreadable(messages, error)
            half = len(messages) // 2  # find the one; what a Sparkplug node said is heard twice, as may be
            return self.decode(messages[:half], now_us) + self.decode(messages[half:], now_us)

    def _decode(self, messages: Sequence[Message], now_us: int) -> Decoded:
        turned = Turned(messages)
        names = Names(self._names)
        parts = [
            self._read(source, messages, at, names, turned)
            for source, at in self._by_source(messages, turned).items()
        ]
        unknown = list(names.unknown)
        checked = check(
            Raw.joined(parts),
            messages,
            lambda series: self._name_of[series] if series >= 0 else unknown[-1 - series],
            turned,
            now_us + int(self._limits.max_ahead_s * 1e6),
        )
        return self._outcome(messages, checked, unknown, turned)

    def rebirths(self, now_us: int) -> list[NodeKey]:
        """Sparkplug edge nodes (group, node) to ask for their births now. Cheap; ask every second or so."""
        return self._sparkplug.nodes.to_ask(now_us)

    def edge_nodes(self) -> tuple[int, int]:
        """How many Sparkplug edge nodes are (born, not born)."""
        return self._sparkplug.nodes.count()

    def _by_source(self, messages: Sequence[Message], turned: Turned) -> dict[int, list[int]]:
        """Numbers of the messages to be read, by source."""
        limit = self._limits.max_payload_bytes
        source = self._only_source(messages, limit)
        if source is not None:
            return {source: list(range(len(messages)))}
        groups: dict[int, list[int]] = {}
        for i, message in enumerate(messages):
            route = self._routes.get(message.topic) or self._find_route(message.topic)
            if route.reason is not None:
                turned.add(i, route.reason, route.detail)
            elif message.truncated_from or len(message.payload) > limit:
                turned.add(i, RejectReason.TOO_LARGE, f"{message.size} bytes; at most {limit} are read")
            elif not message.payload:
                turned.add(i, RejectReason.EMPTY, "message without a payload")
            else:
                group = groups.get(route.source)
                if group is None:
                    group = groups[route.source] = []
                group.append(i)
        return groups

    def _only_source(self, messages: Sequence[Message], limit: int) -> int | None:
        """The one that all messages belong to; None if there are others, or one that may be turned away."""
        routes = [self._routes.get(topic) for topic in {message.topic for message in messages}]
        sources = {-1 if route is None or route.reason is not None else route.source for route in routes}
        sizes = [len(message.payload) for message in messages]
        if len(sources) != 1 or -1 in sources or not sizes or min(sizes) == 0 or max(sizes) > limit:
            return None
        if any(message.truncated_from for message in messages):
            return None
        return sources.pop()

    def _find_route(self, topic: str) -> _Route:
        if len(self._routes) >= self._limits.max_topics:
            self._routes.clear()
        route = self._route(topic)
        if len(topic) <= LONGEST_REMEMBERED:
            self._routes[topic] = route
        return route

    def _route(self, topic: str) -> _Route:
        if self._first_sparkplug is not None and host_of(topic) is not None:
            return _Route(self._first_sparkplug)
        for i, source in enumerate(self._sources):
            if matches(source.filter, topic):
                if source.format == "sparkplug":  # one reader, so one order, for all of them
                    return _Route(self._first_sparkplug or 0)
                return self._named_route(i, topic) if source.format == "json" else _Route(i)
        return _Route(reason=RejectReason.BAD_TOPIC, detail="no source in the settings matches this topic")

    def _named_route(self, i: int, topic: str) -> _Route:
        template = self._templates[i]
        name = topic if template is None else template.name(topic)
        if name is None:
            detail = f"too few levels for the name template {self._sources[i].name_template!r}"
            return _Route(reason=RejectReason.BAD_TOPIC, detail=detail)
        if not is_storable_name(name):
            return _Route(reason=RejectReason.BAD_NAME, detail=f"the topic gives the name {name[:80]!r}")
        unit = self._sources[i].unit
        if not self._units.fits(name, unit):
            return _Route(reason=RejectReason.BAD_UNIT, detail=self._units.detail(name, unit))
        return _Route(i, name)

    def _read(
        self, source: int, messages: Sequence[Message], at: list[int], names: Names, turned: Turned
    ) -> Raw:
        reader = self._json.get(source)
        if reader is None:
            pack = self._sparkplug if self._sources[source].format == "sparkplug" else self._senml
            return pack.read(messages, at, names, turned)
        topics = [messages[i].topic for i in at]
        series = names.column([(self._routes.get(t) or self._find_route(t)).name for t in topics])
        return reader.read(messages, at, series.tolist(), turned)

    def _outcome(
        self, messages: Sequence[Message], checked: Checked, unknown: list[str], turned: Turned
    ) -> Decoded:
        raw, known = checked.raw, checked.raw.series >= 0
        if known.all():
            batch = Batch(raw.series.astype(np.int32), raw.time_us, raw.value, checked.flags)
            return Decoded(batch, turned.rejects())
        rows = raw.where(known)
        batch = Batch(rows.series.astype(np.int32), rows.time_us, rows.value, checked.flags[known])
        listed, rejects = self._unknown(messages, raw.where(~known), unknown, turned)
        return Decoded(batch, turned.rejects() + rejects, listed)

    def _unknown(
        self, messages: Sequence[Message], raw: Raw, names: list[str], turned: Turned
    ) -> tuple[dict[str, UnknownName], list[Reject]]:
        """List unknown names with what they sent and one reject for each; past the limit only count."""
        listed: dict[str, UnknownName] = {}
        rejects: list[Reject] = []
        order = np.argsort(-raw.series, kind="stable")
        number, first, count = np.unique(-1 - raw.series[order], return_index=True, return_counts=True)
        for k, start, rows in zip(number.tolist(), first.tolist(), count.tolist(), strict=True):
            some = order[start : start + rows]
            at = int(raw.message[some[0]])
            if len(listed) < self._limits.max_unknown:
                listed[names[k]] = UnknownName(
                    names[k],
                    printable(messages[at].topic),
                    messages[at].received_us,
                    messages[int(raw.message[some[-1]])].received_us,
                    rows,
                    float(raw.value[some[-1]]),
                )
                detail = f"{names[k]} is not in the register"
                rejects.append(turned.one(at, RejectReason.UNKNOWN_NAME, detail, rows))
            else:
                turned.add(at, RejectReason.UNKNOWN_NAME, "too many unknown names at once to list", rows)
        return listed, rejects


def _unreadable(messages: Sequence[Message], error: Exception) -> Decoded:
    """A message that cannot be read: none of it is kept."""
    turned = Turned(messages)
    turned.add(0, RejectReason.UNREADABLE, failed(error))
    return Decoded(Batch.empty(), turned.rejects())
