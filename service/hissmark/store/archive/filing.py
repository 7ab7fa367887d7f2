"""Under which group a name is filed, and which names belong to a valve."""

from __future__ import annotations

from hissmark.engine.layout import PROCESS, Layout

SHARED = "shared"
"""Process tags that several groups use."""


def groups_of(layout: Layout) -> dict[str, str]:
    """Name -> group: that of its channel, or of the only group that uses the tag."""
    found: dict[str, str] = {}
    for series, group in zip(layout.input_series.tolist(), layout.input_group.tolist(), strict=True):
        name, own = layout.names[series], layout.group_names[group]
        found[name] = own if found.get(name, own) == own else SHARED
    return found


def names_of_valves(layout: Layout) -> dict[str, frozenset[str]]:
    """Valve or channel -> names under which its levels come."""
    found: dict[str, set[str]] = {}
    rows = zip(
        layout.input_series.tolist(), layout.input_channel.tolist(), layout.input_role.tolist(), strict=True
    )
    for series, channel, role in rows:
        if role != PROCESS:
            for subject in (layout.channels[channel].subject, layout.channels[channel].name):
                found.setdefault(subject, set()).add(layout.names[series])
    return {subject: frozenset(names) for subject, names in found.items()}
