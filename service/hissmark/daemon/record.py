"""Ticks turned into what the store keeps: verdict changes, the newest of each group."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import msgspec
import numpy as np

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.publish.reading import readings_of
from hissmark.store.records import Reading, VerdictChange


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


def reading_rows(layout: Layout, tick: Tick) -> list[Reading]:
    """The readings of a tick as the store keeps them."""
    found = readings_of(layout, tick)
    return [Reading(r["group"], tick.at_us, msgspec.json.encode(r).decode()) for r in found]
