"""Settings with versions: every recorded change is one; what was in force when, and how to go back.

The site's file gives the defaults of a deployment. What engineers tune is on record in the store, and where
both give a value the record wins, the narrower level first: valve, group, site, file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from hissmark.engine.change import Change, ChangeKind, ChangeRefusedError, Level, settings_change
from hissmark.engine.layout import Layout
from hissmark.engine.tuned import NAMES, TUNABLE, Tuned, default_of
from hissmark.store.reader import Reader
from hissmark.store.records import ChangeRow

PAGE = 500
FILE = "file"
Place = tuple[str, str]
"""Level and subject (empty for the site)."""
Values = dict[Place, dict[str, float]]


@dataclass(frozen=True, slots=True)
class Step:
    """One setting at one level before and after; None: not set there, the wider level counts."""

    level: str
    subject: str
    setting: str
    before: float | None
    after: float | None


@dataclass(frozen=True, slots=True)
class Version:
    """A recorded change of settings, and what it changed."""

    row: ChangeRow
    steps: tuple[Step, ...]


def versions(reader: Reader) -> list[Version]:
    """Every change of settings that was applied, oldest first."""
    found, values = [], Values()
    for row in settings_rows(reader):
        before = copied(values)
        apply(values, row.change)
        found.append(Version(row, tuple(steps(before, values))))
    return found


def settings_rows(reader: Reader) -> Iterator[ChangeRow]:
    """Changes of settings on record that were applied, oldest first."""
    after = 0
    while page := reader.changes(kind=ChangeKind.SETTINGS, after_id=after, limit=PAGE):
        yield from (row for row in page if row.applied_after_us is not None)
        after = page[-1].id


def values_after(reader: Reader, version: int) -> Values:
    """What was set, by level and subject, once the change of that number was applied; 0: nothing."""
    values = Values()
    for row in settings_rows(reader):
        if row.id <= version:
            apply(values, row.change)
    return values


def values_at(reader: Reader, at_us: int) -> Values:
    """What was set at a moment: changes count from the first tick after their time."""
    values = Values()
    for row in settings_rows(reader):
        if row.applied_after_us is not None and row.applied_after_us < at_us:
            apply(values, row.change)
    return values


def apply(values: Values, change: Change) -> None:
    """Take a change into `values`."""
    place = str(change.payload["level"]), change.subject
    mine = values.setdefault(place, {})
    for name, value in change.payload["values"].items():
        if value is None:
            mine.pop(name, None)
        elif name in TUNABLE:
            mine[name] = float(value)
    if not mine:
        del values[place]


def copied(values: Values) -> Values:
    return {place: dict(mine) for place, mine in values.items()}


def steps(before: Values, after: Values) -> Iterator[Step]:
    """What differs, by level from wide to narrow, subject and setting."""
    order = {str(level): i for i, level in enumerate(Level)}
    for place in sorted({*before, *after}, key=lambda p: (order[p[0]], p[1])):
        old, new = before.get(place, {}), after.get(place, {})
        for name in NAMES:
            if old.get(name) != new.get(name):
                yield Step(*place, name, old.get(name), new.get(name))


def changes_for(differing: Iterable[Step], operator: str, reason: str) -> list[Change]:
    """The changes to record so that every step comes about: one for each level and subject."""
    by_place: dict[Place, dict[str, float | None]] = {}
    for step in differing:
        by_place.setdefault((step.level, step.subject), {})[step.setting] = step.after
    return [
        settings_change(Level(level), subject, values, operator, reason)
        for (level, subject), values in by_place.items()
    ]


def tuned_at(layout: Layout, reader: Reader, at_us: int) -> Tuned:
    """The settings of every channel as they were at a moment, under the present file and register."""
    return tuned_of(layout, values_at(reader, at_us))


def tuned_of(layout: Layout, values: Values) -> Tuned:
    """The settings of every channel; what is set for groups and valves that are gone is left out."""
    tuned = Tuned(layout)
    groups = {name: i for i, name in enumerate(layout.group_names)}
    channels = {n: i for i, c in enumerate(layout.channels) for n in (c.name, c.subject)}
    for (level, subject), mine in values.items():
        if level == Level.SITE:
            rows: Iterable[int] = groups.values()
        else:
            places = groups if level == Level.GROUP else channels
            rows = [places[subject]] if subject in places else []
        for row in rows:
            for name, value in mine.items():
                tuned.overrides[Level(level)][row, NAMES.index(name)] = value
    tuned.resolve()
    return tuned


@dataclass(frozen=True, slots=True)
class InForce:
    """One setting of one valve: its value, which level gives it, the change that set it (None: the file)."""

    setting: str
    value: float
    level: str
    subject: str
    version: int | None


def in_force(layout: Layout, reader: Reader, channel: int, at_us: int | None = None) -> list[InForce]:
    """Every tunable setting of a channel at a moment (None: now), and where it comes from."""
    where = layout.channels[channel]
    places: list[Place] = [
        (str(Level.VALVE), where.subject), (str(Level.VALVE), where.name), (str(Level.GROUP), where.group),
        (str(Level.SITE), ""),
    ]  # fmt: skip
    values, set_by = Values(), dict[tuple[Place, str], int]()
    for row in settings_rows(reader):
        if at_us is None or (row.applied_after_us or 0) < at_us:
            apply(values, row.change)
            place = str(row.change.payload["level"]), row.change.subject
            set_by |= {(place, name): row.id for name in row.change.payload["values"]}
    found = []
    for name in NAMES:
        giving = next((p for p in places if name in values.get(p, {})), None)
        if giving is None:
            found.append(InForce(name, default_of(layout.settings, name), FILE, "", None))
        else:
            found.append(InForce(name, values[giving][name], *giving, set_by[giving, name]))
    return found


def check_changes(layout: Layout, values: Values, wanted: Iterable[Change]) -> None:
    """Raises ChangeRefusedError if a change would be refused by the service, before any is put on record."""
    tuned = tuned_of(layout, values)
    groups = {name: i for i, name in enumerate(layout.group_names)}
    channels = {n: i for i, c in enumerate(layout.channels) for n in (c.name, c.subject)}
    for change in wanted:
        level = Level(change.payload["level"])
        places: Mapping[str, Any] = channels if level is Level.VALVE else groups
        if level is not Level.SITE and change.subject not in places:
            raise ChangeRefusedError(f"there is no {level.value} {change.subject!r} in the register")
        rows = list(groups.values()) if level is Level.SITE else [places[change.subject]]
        tuned.check(level, rows, change.payload["values"])
        tuned.take(level, rows, change.payload["values"])
