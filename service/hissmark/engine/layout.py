"""The register turned into index arrays, so that one tick is a handful of array operations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.engine.register import PERCENTILE_SUFFIXES, Channel, Condition, Register
from hissmark.engine.settings import CoreSettings, SuppressRule

I32 = npt.NDArray[np.int32]

LEVEL, L10, L50, L90, PROCESS = range(5)
"""Roles of an input: a level, a percentile the sensor reports itself, a process value."""


@dataclass(frozen=True)
class Layout:
    """Index arrays over channels (in register order: by group, then along the pipe) and inputs.

    An *input* is one known name as one group hears it: a process tag that two groups use is two inputs,
    so that groups never look at each other.

    Attributes:
        names: every known series name; `Batch.series` indexes it.
        channels: the register's channels. groups: their group names.
        group_of: int32[channels]. first, count: int32[groups], slice of each group's channels.
        input_series, input_group, input_role, input_channel: int32[inputs]; channel is -1 for process tags.
        inputs_of: for each name the inputs that it feeds (object array of int32 arrays).
        conditions: operating conditions with the groups they concern.
        suppress: rules of suppression by design with the channels they concern.
    """

    register: Register
    settings: CoreSettings
    names: tuple[str, ...]
    group_names: tuple[str, ...]
    group_of: I32
    first: I32
    count: I32
    input_series: I32
    input_group: I32
    input_role: I32
    input_channel: I32
    conditions: tuple[tuple[Condition, frozenset[int]], ...]
    suppress: tuple[tuple[SuppressRule, Condition, frozenset[int]], ...] = ()

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self.register.channels

    @classmethod
    def of(cls, register: Register, settings: CoreSettings) -> Layout:
        """Build the layout. Raises ValueError if a condition cannot be read."""
        groups = register.groups
        group_index = {name: i for i, name in enumerate(groups)}
        group_of = np.array([group_index[c.group] for c in register.channels], np.int32)
        count = np.array([len(rows) for rows in groups.values()], np.int32)
        first = np.concatenate(([0], np.cumsum(count)[:-1])).astype(np.int32) if len(count) else count
        conditions = tuple(
            (
                Condition.parse(rule.when),
                frozenset(group_index[g] for g in (rule.groups or groups) if g in group_index),
            )
            for rule in settings.conditions
        )
        inputs = _Inputs()
        for i, channel in enumerate(register.channels):
            inputs.add_channel(i, channel, int(group_of[i]))
        for condition, members in conditions:
            for g in sorted(members):
                inputs.add_tag(condition.tag, g)
        suppress = tuple((r, Condition.parse(r.when), _covered(r, register)) for r in settings.suppress)
        for _, condition, covered in suppress:
            for g in sorted({int(group_of[c]) for c in covered}):
                inputs.add_tag(condition.tag, g)
        rows = inputs.rows
        columns = np.array(rows, np.int32).reshape(-1, 4)
        return cls(
            register, settings, tuple(inputs.names), tuple(groups), group_of, first, count,
            columns[:, 0].copy(), columns[:, 1].copy(), columns[:, 2].copy(), columns[:, 3].copy(),
            conditions, suppress,
        )  # fmt: skip

    def series_index(self) -> dict[str, int]:
        """Known name -> index, as the decoder wants it."""
        return {name: i for i, name in enumerate(self.names)}

    def input_of_tag(self, tag: str, group: int) -> int:
        """The input under which `group` hears process tag `tag`; -1 if it does not."""
        if tag not in self.names:
            return -1
        series = self.names.index(tag)
        found = np.flatnonzero(
            (self.input_series == series) & (self.input_group == group) & (self.input_role == PROCESS)
        )
        return int(found[0]) if len(found) else -1


def _covered(rule: SuppressRule, register: Register) -> frozenset[int]:
    """Indices of the channels that a rule concerns."""
    everything = not rule.groups and not rule.valves
    return frozenset(
        i
        for i, c in enumerate(register.channels)
        if everything or c.group in rule.groups or c.subject in rule.valves
    )


class _Inputs:
    """Collects names and inputs while the layout is built."""

    def __init__(self) -> None:
        self.names: dict[str, int] = {}
        self.rows: list[tuple[int, int, int, int]] = []
        self._tags: set[tuple[str, int]] = set()

    def _series(self, name: str) -> int:
        return self.names.setdefault(name, len(self.names))

    def add_channel(self, index: int, channel: Channel, group: int) -> None:
        self.rows.append((self._series(channel.source), group, LEVEL, index))
        for role, suffix in zip((L10, L50, L90), PERCENTILE_SUFFIXES, strict=True):
            self.rows.append((self._series(channel.source + suffix), group, role, index))
        condition = channel.closed_when
        pressures = (channel.upstream_pressure, channel.downstream_pressure)
        tags = (condition.tag if condition else None, *pressures, channel.leak_flow)
        for tag in tags:
            if tag:
                self.add_tag(tag, group)

    def add_tag(self, tag: str, group: int) -> None:
        if (tag, group) not in self._tags:
            self._tags.add((tag, group))
            self.rows.append((self._series(tag), group, PROCESS, -1))
