"""Under which registers a group was judged: the one in force, those before it, and how far back they lead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from hissmark.engine.copies import one_group
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.store.whereabouts import InForce

Rows = tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """A group under one register. `until_us`: its last tick under it, None where it is in force."""

    layout: Layout
    until_us: int | None


@dataclass(frozen=True, slots=True)
class Lineage:
    """The stages of a group, oldest first.

    Attributes:
        begins_us: the tick after which the first begins; None: with the first sample on record.
        note: why nothing before can be replayed, empty where that is not so.
    """

    stages: tuple[Stage, ...]
    begins_us: int | None = None
    note: str = ""

    @property
    def names(self) -> list[str]:
        """The group's names over time, each once."""
        return list(dict.fromkeys(stage.layout.group_names[0] for stage in self.stages))


def lineage_of(present: Layout, group: str, versions: Sequence[InForce]) -> Lineage:
    """Follow a group back through the registers that were in force, the first of them since ever."""
    registers = [version.register for version in versions[:-1]] + [present.register]
    layout_of = cache(lambda nth: Layout.of(registers[nth], present.settings))
    stages = [Stage(one_group(present, group), None)]
    for nth in range(len(registers) - 1, 0, -1):
        rows, before = _rows(registers[nth], group), registers[nth - 1]
        name = _before(before, registers[nth], group, rows)
        at_us = versions[nth].after_us.get(group, versions[nth].after_us.get(name or group))
        if name is None or at_us is None or _from_elsewhere(before, name, rows):
            moved = at_us is not None and _known(before, rows)
            return Lineage(tuple(stages), at_us, _note(group) if moved else "")
        if name != group or _rows(before, name) != rows:
            stages.insert(0, Stage(one_group(layout_of(nth - 1), name), at_us))
        group = name
    return Lineage(tuple(stages))


def _rows(register: Register, group: str) -> Rows:
    return tuple(register.groups.get(group, ()))


def _before(before: Register, after: Register, group: str, rows: Rows) -> str | None:
    """The name that a group had under the register before; None if it was not there."""
    if group in before.groups:
        return group
    sensors = _sensors(rows)
    gone = (name for name in before.groups if name not in after.groups)
    return next((name for name in gone if _sensors(_rows(before, name)) == sensors), None)


def _sensors(rows: Rows) -> list[tuple[str, str]]:
    return [(channel.name, channel.subject) for channel in rows]


def _from_elsewhere(before: Register, group: str, rows: Rows) -> bool:
    """Whether a valve came from another group, with its alarms."""
    here = {channel.subject for channel in _rows(before, group)}
    elsewhere = {c.subject for c in before.channels} - here
    return any(channel.subject in elsewhere for channel in rows)


def _known(before: Register, rows: Rows) -> bool:
    """Whether something of the group was in another one."""
    known = {c.subject for c in before.channels} | {c.name for c in before.channels}
    return any(channel.subject in known or channel.name in known for channel in rows)


def _note(group: str) -> str:
    return f"the register moved valves to {group} from another group, which is replayed from then on"
