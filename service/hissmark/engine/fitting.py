"""What of a saved state still fits an edited register: sensors by name and place, groups by name or members.

A sensor that sits on another valve, or in another group, hears another background: what it has learned there
is no use here. Alarms belong to the valve and stay with it, whichever sensor listens. A group that only got
another name is the same group.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.intake import NEVER, Intake
from hissmark.engine.layout import Layout

Names = list[str]
Pairs = tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]
"""(index in the new arrays, index in the saved ones) of what is the same in both."""

_MARK = "\x1f"


def names_of(layout: Layout) -> dict[str, Any]:
    """Names of everything that state is kept for, to be saved beside it."""
    groups = layout.group_names
    rows = zip(layout.input_series, layout.input_group, layout.input_role, strict=True)
    return {
        "channel": [f"{c.group}{_MARK}{c.name}" for c in layout.channels],
        "input": [f"{groups[g]}{_MARK}{layout.names[s]}{_MARK}{r}" for s, g, r in rows],
        "group": list(groups),
        "subject": [c.subject for c in layout.channels],
        "pipework": [
            [[c.name, c.subject, c.distance_m, c.joints] for c in members]
            for members in layout.register.groups.values()
        ],
    }


@dataclass(frozen=True)
class Fit:
    """What a saved state has that the present register has too.

    Attributes:
        channel, input, group, alarm: what is the same along these axes.
        members: groups whose sensors sit as they did; pipework: of them those with unchanged pipes between.
        renamed: old name -> new name of groups that only got another. new_groups: those that were not there.
        notes: sentences on what does not fit any more.
    """

    channel: Pairs
    input: Pairs
    group: Pairs
    alarm: Pairs
    members: Pairs
    pipework: Pairs
    renamed: dict[str, str]
    new_groups: Names
    notes: list[str]

    @classmethod
    def of(cls, saved: dict[str, Any], layout: Layout) -> Fit:
        """Compare the names that were saved with those of the present register."""
        present = names_of(layout)
        saved = _of_older_version(saved, present)
        renamed = _renamed_groups(saved, present)
        was = {axis: _under_new_names(saved[axis], renamed) for axis in ("channel", "input")}
        groups = [renamed.get(name, name) for name in saved["group"]]
        known = set(groups)
        places = [_placed(names, subjects) for names, subjects in
                  ((was["channel"], saved["subject"]), (present["channel"], present["subject"]))]  # fmt: skip
        same_group = _match(groups, present["group"])
        return cls(
            _match(places[0], places[1]), _match(was["input"], present["input"]), same_group,
            _match(saved["subject"], present["subject"]),
            _where_same(same_group, _sensors(saved), _sensors(present)),
            _where_same(same_group, saved["pipework"], present["pipework"]),
            renamed, [name for name in present["group"] if name not in known],
            _notes(was["channel"], saved["subject"], present),
        )  # fmt: skip

    def pairs(self, axis: str) -> Pairs:
        """What is the same along one axis."""
        found: Pairs = getattr(self, axis)
        return found


def begin_new_groups(intake: Intake, saved: dict[str, Any], tick_us: npt.NDArray[np.int64], fit: Fit) -> None:
    """A group put together from sensors of other groups goes on where these have come to.

    Without it the group would judge the last minutes once more, which its valves have behind them.
    """
    layout = intake.layout
    old_group = {name: i for i, name in enumerate(saved["group"])}
    came_from = {
        name: old_group[group] for group, name in (text.split(_MARK) for text in saved["channel"])
    }  # fmt: skip
    known = set(fit.group[0].tolist())
    for g, members in enumerate(layout.register.groups.values()):
        ticks = [int(tick_us[came_from[c.name]]) for c in members if c.name in came_from]
        newest = max(ticks, default=NEVER)
        if g not in known and newest > NEVER:
            intake.first_us[g] = intake.tick_us[g] = intake.data_us[g] = newest


def _of_older_version(saved: dict[str, Any], present: dict[str, Any]) -> dict[str, Any]:
    """State saved before valves and pipes were noted beside it: they are taken to be as they are now."""
    if "subject" in saved:
        return saved
    subject = dict(zip(present["channel"], present["subject"], strict=True))
    pipework = dict(zip(present["group"], present["pipework"], strict=True))
    members: dict[str, Names] = {name: [] for name in saved["group"]}
    for text in saved["channel"]:
        group, name = text.split(_MARK)
        members[group].append(name)
    same = {g for g, rows in pipework.items() if [row[0] for row in rows] == members.get(g)}
    return {
        **saved,
        "subject": [subject.get(name, name.split(_MARK)[1]) for name in saved["channel"]],
        "pipework": [pipework[g] if g in same else [[n] for n in members[g]] for g in saved["group"]],
    }


def _renamed_groups(saved: dict[str, Any], present: dict[str, Any]) -> dict[str, str]:
    """Old name -> new name of groups that are gone while a new one has exactly their sensors."""
    there, before = set(present["group"]), set(saved["group"])
    gone = [(g, rows) for g, rows in _by_group(saved) if g not in there]
    fresh = [(g, rows) for g, rows in _by_group(present) if g not in before]
    return {old: new for old, rows in gone for new, others in fresh if rows == others}


def _by_group(names: dict[str, Any]) -> list[tuple[str, list[list[str]]]]:
    return list(zip(names["group"], _sensors(names), strict=True))


def _sensors(names: dict[str, Any]) -> list[list[list[str]]]:
    """For each group its sensors and what they sit on, in pipe order."""
    return [[row[:2] for row in rows] for rows in names["pipework"]]


def _under_new_names(names: Names, renamed: dict[str, str]) -> Names:
    if not renamed:
        return names
    parts = (text.split(_MARK, 1) for text in names)
    return [f"{renamed.get(group, group)}{_MARK}{rest}" for group, rest in parts]


def _placed(names: Names, subjects: Names) -> Names:
    return [f"{name}{_MARK}{subject}" for name, subject in zip(names, subjects, strict=True)]


def _match(old: Names, new: Names) -> Pairs:
    place = {name: i for i, name in enumerate(old)}
    pairs = [(i, place[name]) for i, name in enumerate(new) if name in place]
    table = np.array(pairs, np.intp).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _where_same(groups: Pairs, old: list[Any], new: list[Any]) -> Pairs:
    """Of the groups in both those for which the two lists agree."""
    kept = np.array([old[o] == new[n] for n, o in zip(*groups, strict=True)], bool)
    return groups[0][kept], groups[1][kept]


def _notes(was: Names, subjects: Names, present: dict[str, Any]) -> list[str]:
    now = dict(zip(present["channel"], present["subject"], strict=True))
    notes = []
    for name, subject in zip(was, subjects, strict=True):
        plain = name.replace(_MARK, "/")
        if name not in now:
            notes.append(f"channel {plain} is no longer in the register under that group")
        elif now[name] != subject:
            notes.append(f"channel {plain} now listens to {now[name]}, not {subject}: it learns anew")
    return notes
