"""The register of a site as plain values: which channel listens where. No files here, see `hissmark.site`."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

Kind = Literal["valve", "reference"]
Consequence = Literal["low", "medium", "high"]

# A tag may hold operator signs (=A1-Q1) but not end in one: "ZT-1 =< 2" is a slip, not a tag called "ZT-1 =".
_CONDITION = re.compile(
    r"^\s*(?P<tag>.+?)(?<![<>=!\s])\s*(?P<op><=|>=|==|!=|<|>)\s*(?P<limit>[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*$"
)

#: Suffixes under which a sensor reports its own percentiles (contract).
PERCENTILE_SUFFIXES = ("/L10", "/L50", "/L90")


@dataclass(frozen=True, slots=True)
class Condition:
    """A comparison of one process tag with a number, such as ``ZT-101 < 2``."""

    tag: str
    op: str
    limit: float

    @classmethod
    def parse(cls, text: str) -> Condition:
        """Read ``TAG OP NUMBER`` (``<  <=  >  >=  ==  !=``). Raises ValueError that says what is missing."""
        match = _CONDITION.match(text)
        if match is None:
            raise ValueError(f"{text!r} is not of the form 'TAG < NUMBER' (operators: < <= > >= == !=)")
        return cls(match["tag"], match["op"], float(match["limit"]))


@dataclass(frozen=True, slots=True)
class Channel:
    """One sensor's series of levels and where it sits; distance and joints count from the position before."""

    name: str
    source: str
    kind: Kind
    group: str
    position: int
    valve: str | None = None
    distance_m: float | None = None
    joints: int | None = None
    closed_when: Condition | None = None
    upstream_pressure: str | None = None
    downstream_pressure: str | None = None
    service: str = ""
    size_mm: float | None = None
    valve_type: str = ""
    consequence: Consequence = "medium"
    interval_s: float | None = None
    leak_flow: str | None = None
    leak_flow_unit: str = ""
    closed_volume: str = ""
    notes: dict[str, str] = field(default_factory=dict)

    @property
    def subject(self) -> str:
        """What alarms about this channel are filed under: the valve's tag, or the channel's name."""
        return self.valve if self.valve is not None else self.name


@dataclass(frozen=True)
class Register:
    """All channels of a site, ordered by group (first appearance) and position along the pipe."""

    channels: tuple[Channel, ...]

    @classmethod
    def of(cls, channels: Iterable[Channel]) -> Register:
        rows = list(channels)
        order = {name: i for i, name in enumerate(dict.fromkeys(c.group for c in rows))}
        return cls(tuple(sorted(rows, key=lambda c: (order[c.group], c.position))))

    @cached_property
    def groups(self) -> dict[str, tuple[Channel, ...]]:
        """Channels of each group in pipe order."""
        found: dict[str, list[Channel]] = {}
        for channel in self.channels:
            found.setdefault(channel.group, []).append(channel)
        return {name: tuple(rows) for name, rows in found.items()}

    @cached_property
    def valves(self) -> dict[str, Channel]:
        """The channel of each valve tag."""
        return {c.valve: c for c in self.channels if c.valve is not None}

    @cached_property
    def process_tags(self) -> tuple[str, ...]:
        """Every process tag a channel refers to, in order of first use."""
        tags: dict[str, None] = {}
        for c in self.channels:
            if c.closed_when is not None:
                tags[c.closed_when.tag] = None
            for tag in (c.upstream_pressure, c.downstream_pressure, c.leak_flow):
                if tag:
                    tags[tag] = None
        return tuple(tags)
