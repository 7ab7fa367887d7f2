"""Ticks turned into blocks: what each group's closed ticks leave in the history."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.store.blocks import CODES, LEVELS, NEXT_SOURCE, OF_GROUP, SECOND, SOURCE, Block
from hissmark.store.history import ChannelHistory

US = 1_000_000
LONGEST_AGE_S = 65_534
"""An age that is higher counts as this; the next number up means unknown."""
_AS_THEY_ARE = (*LEVELS, *CODES, "scale_db", "health", "baseline_state", "steady")


def blocks_of(ticks: Sequence[Tick], layout: Layout) -> Iterator[tuple[str, Block]]:
    """One block for each group with all its ticks among `ticks`, what `Transaction.ticks` takes."""
    if not ticks:
        return
    columns = {name: np.stack([getattr(tick, name) for tick in ticks]) for name in _AS_THEY_ARE}
    columns |= {"age_s": _ages_s(ticks), "role": _roles(ticks)}
    of_group = {name: np.stack([getattr(tick, name) for tick in ticks]) for name in OF_GROUP}
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
        yield name, Block.of(
            channels, times[mine], {n: c[mine, members] for n, c in columns.items()},
            {n: c[mine, g] for n, c in of_group.items()},
        )  # fmt: skip


def history_of_channel(ticks: Sequence[Tick], channel: int) -> ChannelHistory:
    """Ticks of one channel (index in the layout), as the store would give them back."""
    kinds = {**dict.fromkeys(LEVELS, np.float32), **dict.fromkeys(CODES, np.uint8)}
    columns: dict[str, Any] = {
        name: np.array([getattr(tick, name)[channel] for tick in ticks], kind) for name, kind in kinds.items()
    }
    return ChannelHistory(np.array([tick.at_us for tick in ticks], np.int64), **columns)


def of_tick(tick: Tick, layout: Layout) -> Iterator[tuple[str, Block]]:
    """One block of one tick for every group that closed."""
    return blocks_of([tick], layout)


def _ages_s(ticks: Sequence[Tick]) -> npt.NDArray[np.uint16]:
    """uint16[ticks, channels]: how old the newest sample was, unknown where there never was one."""
    last_us = np.stack([tick.last_us for tick in ticks])
    at_us = np.array([[tick.at_us] for tick in ticks], np.int64)
    age = np.clip((at_us - last_us) // US, 0, LONGEST_AGE_S)
    return np.where(last_us > 0, age, LONGEST_AGE_S + 1).astype(np.uint16)


def _roles(ticks: Sequence[Tick]) -> npt.NDArray[np.uint8]:
    """uint8[ticks, channels]: which channel each explanation names."""
    role: npt.NDArray[np.uint8] = np.zeros((len(ticks), len(ticks[0].level_db)), np.uint8)
    named: tuple[tuple[str, int], ...] = (
        ("source", SOURCE), ("second", SECOND), ("next_source", NEXT_SOURCE),
    )  # fmt: skip
    for name, bit in named:
        index: npt.NDArray[Any] = np.stack([getattr(tick, name) for tick in ticks])
        tick, group = np.nonzero(index >= 0)
        role[tick, index[tick, group]] |= bit
    return role
