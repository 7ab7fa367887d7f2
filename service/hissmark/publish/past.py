"""Readings of a past moment, out of the history: as they were shown then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.publish.reading import group_reading
from hissmark.publish.shapes import GroupReading
from hissmark.signal.levels import leak_only
from hissmark.store.blocks import (
    CODES,
    LEVELS,
    NEXT_SOURCE,
    OF_GROUP,
    SECOND,
    SOURCE,
    UNKNOWN_CODE,
    Block,
    unknown,
)

US = 1_000_000
NO_AGE = 65_535
ROLES = {"source": SOURCE, "second": SECOND, "next_source": NEXT_SOURCE}
_LEVELS = (*LEVELS, "scale_db")
_CODES = (*CODES, "health", "baseline_state", "steady")


def readings_from(layout: Layout, blocks: Mapping[str, Block]) -> dict[str, GroupReading]:
    """The reading of each group out of its block of one tick, with the channels of the present register."""
    known = {g: blocks[name] for g, name in enumerate(layout.group_names) if name in blocks}
    tick = _tick_of(layout, known)
    return {
        layout.group_names[g]: group_reading(layout, replace(tick, at_us=int(block.time_us[0])), g)
        for g, block in known.items()
    }


def _tick_of(layout: Layout, blocks: Mapping[int, Block]) -> Tick:
    """One tick that holds all the blocks (whose times may differ: `at_us` is left open)."""
    count, groups = len(layout.channels), len(layout.group_names)
    columns: dict[str, Any] = {name: np.full(count, np.nan, np.float32) for name in _LEVELS}
    columns |= {name: np.full(count, UNKNOWN_CODE, np.uint8) for name in _CODES}
    columns["verdict"][:], columns["reason"][:] = Verdict.NOT_TESTABLE, Reason.NO_FRESH_DATA
    last_us = np.zeros(count, np.int64)
    named: dict[str, Any] = {
        name: np.full(groups, -1, np.int32) for name in ("source", "second", "next_source")
    }
    of_group: dict[str, Any] = {name: unknown(kind, (groups,)) for name, kind in OF_GROUP.items()}
    for g, block in blocks.items():
        _put(layout, g, block, columns, last_us, named)
        for name, into in of_group.items():
            into[g] = block.column(name)[0]
    alone, resolvable = leak_only(columns["level_db"], columns["baseline_db"])
    return Tick(
        0, np.array(list(blocks), np.int32), np.empty(0, np.int32), **columns, **of_group, **named,
        leak_db=np.where(resolvable, alone, np.nan).astype(np.float32), last_us=last_us,
        interval_s=np.array([c.interval_s or np.nan for c in layout.channels], np.float32),
    )  # fmt: skip


def _put(
    layout: Layout, g: int, block: Block, columns: dict[str, Any], last_us: Any, named: dict[str, Any]
) -> None:
    """Put the block's only tick where the present register has its channels."""
    first = int(layout.first[g])
    place = {c.name: first + i for i, c in enumerate(layout.channels[first : first + int(layout.count[g])])}
    for i, channel in enumerate(block.channels):
        at = place.get(channel)
        if at is None:
            continue
        for name, into in columns.items():
            if name not in ("verdict", "reason") or block.column(name)[0, i] != UNKNOWN_CODE:
                into[at] = block.column(name)[0, i]
        age_s, role = int(block.column("age_s")[0, i]), int(block.column("role")[0, i])
        last_us[at] = 0 if age_s == NO_AGE else int(block.time_us[0]) - age_s * US
        for name, bit in ROLES.items():
            if role != UNKNOWN_CODE and role & bit:
                named[name][g] = at
