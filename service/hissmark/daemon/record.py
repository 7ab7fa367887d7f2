"""Ticks turned into what the store keeps: history blocks and verdict changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store.blocks import CODES, LEVELS, Block
from hissmark.store.records import VerdictChange


def blocks_of(ticks: Sequence[Tick], layout: Layout) -> Iterator[tuple[str, Block]]:
    """One block for each group with all its ticks among `ticks`, what `Transaction.ticks` takes."""
    if not ticks:
        return
    columns = {name: np.stack([getattr(tick, name) for tick in ticks]) for name in LEVELS + CODES}
    times = np.array([tick.at_us for tick in ticks], np.int64)
    closed = np.zeros((len(ticks), len(layout.group_names)), bool)
    for i, tick in enumerate(ticks):
        closed[i, tick.groups] = True
    for g, name in enumerate(layout.group_names):
        mine = np.flatnonzero(closed[:, g])
        if not len(mine):
            continue
        first = int(layout.first[g])
        members = slice(first, first + int(layout.count[g]))
        channels = tuple(c.name for c in layout.channels[members])
        yield name, Block(channels, times[mine], **{n: c[mine, members] for n, c in columns.items()})


def changes_of(tick: Tick, layout: Layout) -> Iterator[VerdictChange]:
    """The verdicts that changed with this tick."""
    for c in tick.changed.tolist():
        channel = layout.channels[c]
        group = int(layout.group_of[c])
        source = int(tick.source[group])
        named = layout.channels[source].subject if source >= 0 else None
        yield VerdictChange(
            channel.subject,
            tick.at_us,
            Verdict(int(tick.verdict[c])).text,
            Reason(int(tick.reason[c])).text,
            named,
            _known(tick.rise_db[c]),
            _known(tick.margin_db[group]),
            _known(tick.level_db[c]),
            _known(tick.baseline_db[c]),
        )


def newest_of_each_group(ticks: Sequence[Tick]) -> list[Tick]:
    """The fewest ticks that hold the newest reading of every group, oldest first."""
    seen: set[int] = set()
    kept: list[Tick] = []
    for tick in reversed(ticks):
        groups = set(tick.groups.tolist())
        if not groups <= seen:
            kept.append(tick)
            seen |= groups
    return kept[::-1]


def _known(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None
