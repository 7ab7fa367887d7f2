"""What a new register changes: channels added, removed, moved to another place, or told differently."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from hissmark.engine.register import Channel, Register
from hissmark.site.register_text import cells_of


class Change(StrEnum):
    """What happens to a channel."""

    ADDED = "added"
    REMOVED = "removed"
    MOVED = "moved"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a row, before and after; empty where there is or was none."""

    column: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class ChannelChange:
    """What happens to one channel.

    Attributes:
        subject: the valve's tag or the reference point's name, as it will be (as it was, if removed).
        cells: what differs; all that is filled in of a channel that is added or removed.
        means: what follows from it, a sentence.
    """

    change: Change
    channel: str
    subject: str
    group: str
    cells: tuple[Cell, ...]
    means: str


def difference(old: Register, new: Register) -> list[ChannelChange]:
    """Every channel that differs: removed ones first, then in the order of the new register."""
    before = {c.name: c for c in old.channels}
    after = {c.name: c for c in new.channels}
    renamed = renamed_groups(old, new)
    gone = [_removed(c, new) for name, c in before.items() if name not in after]
    rest = [
        _added(c, old, after) if name not in before else _differing(before[name], c, renamed)
        for name, c in after.items()
    ]
    return [*gone, *(change for change in rest if change is not None)]


def renamed_groups(old: Register, new: Register) -> dict[str, str]:
    """Old name -> new name of groups that have the same sensors on the same places under another name."""
    gone = {g: _places(rows) for g, rows in old.groups.items() if g not in new.groups}
    fresh = {g: _places(rows) for g, rows in new.groups.items() if g not in old.groups}
    return {g: other for g, places in gone.items() for other, found in fresh.items() if places == found}


def summary(changes: list[ChannelChange]) -> str:
    """``2 added, 1 moved``; ``no change`` if there is none."""
    counts = {kind: sum(c.change is kind for c in changes) for kind in Change}
    return ", ".join(f"{n} {kind}" for kind, n in counts.items() if n) or "no change"


def _places(rows: Iterable[Channel]) -> list[tuple[str, str]]:
    return [(c.name, c.subject) for c in rows]


def _removed(channel: Channel, new: Register) -> ChannelChange:
    heir = new.valves.get(channel.valve) if channel.valve else None
    means = (
        f"{heir.name} listens to {channel.valve} from then on; what {channel.name} heard stays on record."
        if heir
        else f"{channel.subject} is no longer judged and its alarms leave the list; its record stays."
    )
    cells = tuple(Cell(name, text, "") for name, text in cells_of(channel).items() if text)
    return ChannelChange(Change.REMOVED, channel.name, channel.subject, channel.group, cells, means)


def _added(channel: Channel, old: Register, after: dict[str, Channel]) -> ChannelChange:
    former = old.valves.get(channel.valve) if channel.valve else None
    if former is not None:
        means = (
            f"Takes the place of {former.name} on {channel.valve}: alarms and history of the valve go on, "
            "the background is learned anew."
        )
    else:
        means = "Is heard from then on, and judged once its background is learned."
    cells = tuple(Cell(name, "", text) for name, text in cells_of(channel).items() if text)
    return ChannelChange(Change.ADDED, channel.name, channel.subject, channel.group, cells, means)


def _differing(old: Channel, new: Channel, renamed: dict[str, str]) -> ChannelChange | None:
    was, now = cells_of(old), cells_of(new)
    cells = tuple(
        Cell(name, was.get(name, ""), now.get(name, ""))
        for name in {**now, **was}
        if was.get(name, "") != now.get(name, "")
    )
    if not cells:
        return None
    moved = old.subject != new.subject or renamed.get(old.group, old.group) != new.group
    kind = Change.MOVED if moved else Change.CHANGED
    means = _of_move(old, new) if moved else _of_change({c.column for c in cells})
    return ChannelChange(kind, new.name, new.subject, new.group, cells, means)


def _of_move(old: Channel, new: Channel) -> str:
    if old.subject != new.subject:
        return (
            f"The background is learned anew on {new.subject}. What was heard on {old.subject} "
            f"stays with {old.subject}."
        )
    return "The background is learned anew: in another group other things are heard."


_PIPES = frozenset({"distance_m", "joints", "position"})
_CONDITIONS = frozenset({"closed_when", "upstream_pressure", "downstream_pressure"})


def _of_change(names: set[str]) -> str:
    said = []
    if "source" in names:
        said.append("It is heard under the new name from then on; the learned background stays.")
    if names & _PIPES:
        said.append("Learned losses of the group give way to those of the register; backgrounds stay.")
    if names & _CONDITIONS:
        said.append("When it may be judged is decided by the new tags; the learned background stays.")
    return " ".join(said) or "Nothing is learned anew."
