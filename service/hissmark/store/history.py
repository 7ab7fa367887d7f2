"""Blocks of ticks in the table: merged as they come, read back per channel."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from hissmark.engine.readings import F32, U8
from hissmark.store import coarse
from hissmark.store.block_bytes import DamagedBlockError, decode, encode
from hissmark.store.blocks import CODES, HOUR_US, LEVELS, Block, by_hour, merge
from hissmark.store.coarsen import HOUR_S
from hissmark.store.dialects import upsert
from hissmark.store.records import StoredBlock
from hissmark.store.schema import tick_blocks

MOST_DUE_HOURS = 48
"""Hours that are not summed up yet of which a coarse history still reads the ticks."""
_GROUPS_AT_ONCE = 500
_BLOCKS_A_PAGE = 24


def put_blocks(connection: sa.Connection, blocks: list[StoredBlock]) -> None:
    """Put encoded blocks, replacing those with the same (group, start)."""
    if not blocks:
        return
    statement = upsert(connection, tick_blocks)
    statement = statement.on_conflict_do_update(
        index_elements=["group_name", "start_us"],
        set_={"ticks": statement.excluded.ticks, "payload": statement.excluded.payload},
    )
    connection.execute(
        statement,
        [
            {"group_name": b.group, "start_us": b.start_us, "ticks": b.ticks, "payload": b.payload}
            for b in blocks
        ],
    )
    coarse.mark_due(connection, ((b.group, b.start_us) for b in blocks))


def merge_ticks(connection: sa.Connection, arrived: Iterable[tuple[str, Block]]) -> None:
    """Merge ticks into their hours. Ticks on record stay as they are."""
    hours: dict[int, dict[str, Block]] = {}
    for group, block in arrived:
        for start_us, part in by_hour(block):
            of_hour = hours.setdefault(start_us, {})
            of_hour[group] = merge(of_hour[group], part) if group in of_hour else part
    for start_us, of_hour in sorted(hours.items()):
        names = sorted(of_hour)
        for i in range(0, len(names), _GROUPS_AT_ONCE):
            some = names[i : i + _GROUPS_AT_ONCE]
            stored = _stored_hour(connection, some, start_us)
            put_blocks(connection, [_merged(stored.get(g), g, start_us, of_hour[g]) for g in some])


def _stored_hour(connection: sa.Connection, groups: list[str], start_us: int) -> dict[str, StoredBlock]:
    """The last block of each group within the hour."""
    c = tick_blocks.c
    query = sa.select(tick_blocks).where(
        c.group_name.in_(groups), c.start_us >= start_us, c.start_us < start_us + HOUR_US
    )
    return {row.group_name: StoredBlock(*row) for row in connection.execute(query.order_by(c.start_us))}


def _merged(stored: StoredBlock | None, group: str, hour_us: int, arrived: Block) -> StoredBlock:
    """A damaged block must not stop the service, nor vanish: it stays, and a new one begins behind it."""
    start_us = hour_us
    if stored is not None:
        start_us = stored.start_us
        try:
            arrived = merge(decode(stored.payload), arrived)
        except DamagedBlockError:
            start_us = max(stored.start_us + 1, int(arrived.time_us[0]))
    return StoredBlock(group, start_us, len(arrived), encode(arrived))


@dataclass(frozen=True, eq=False, slots=True)
class ChannelHistory:
    """One channel's ticks, ascending by time. NaN or `UNKNOWN_CODE` where a tick has no value.

    Attributes:
        time_us: int64[ticks]. Levels float32[ticks], codes uint8[ticks], as in `Tick`.
        damaged: a sentence for every block that could not be read; its ticks are missing here.
        next_from_us: where to go on reading; None if this is all.
    """

    time_us: npt.NDArray[np.int64]
    level_db: F32
    l50_db: F32
    l10_db: F32
    baseline_db: F32
    rise_db: F32
    expected_db: F32
    difference_bar: F32
    verdict: U8
    reason: U8
    open_: U8
    damaged: tuple[str, ...] = ()
    next_from_us: int | None = None

    def __len__(self) -> int:
        return len(self.time_us)


def read_blocks(connection: sa.Connection, group: str, from_us: int, to_us: int) -> list[StoredBlock]:
    """Up to a day of encoded blocks that may hold ticks in [from_us, to_us), ascending."""
    c = tick_blocks.c
    query = sa.select(tick_blocks).where(
        c.group_name == group, c.start_us >= from_us // HOUR_US * HOUR_US, c.start_us < to_us
    )
    return [StoredBlock(*row) for row in connection.execute(query.order_by(c.start_us).limit(_BLOCKS_A_PAGE))]


def last_ticks(connection: sa.Connection, groups: list[str], at_us: int, back_us: int) -> dict[str, Block]:
    """Of each group its last tick up to `at_us`, at most `back_us` older, as a block of one tick."""
    c, from_us = tick_blocks.c, at_us - back_us
    found: dict[str, Block] = {}
    for i in range(0, len(groups), _GROUPS_AT_ONCE):
        query = sa.select(tick_blocks).where(
            c.group_name.in_(groups[i : i + _GROUPS_AT_ONCE]),
            c.start_us >= from_us // HOUR_US * HOUR_US,
            c.start_us <= at_us,
        )
        newest_first = query.order_by(c.group_name, c.start_us.desc())
        for row in connection.execute(newest_first):
            stored = StoredBlock(*row)
            for block in () if stored.group in found else decoded([stored], []):
                at = int(np.searchsorted(block.time_us, at_us, side="right")) - 1
                if at >= 0 and block.time_us[at] >= from_us:
                    found[stored.group] = block.rows(slice(at, at + 1))
    return found


def after_page(page: list[StoredBlock]) -> int:
    """Where the page behind this one begins."""
    return page[-1].start_us // HOUR_US * HOUR_US + HOUR_US


def decoded(stored: Iterable[StoredBlock], damaged: list[str]) -> Iterator[Block]:
    """The blocks that can be read; a sentence goes into `damaged` for each that cannot."""
    for block in stored:
        try:
            yield decode(block.payload)
        except DamagedBlockError as error:
            start = np.datetime64(block.start_us, "us").astype("datetime64[s]")
            damaged.append(f"History of group {block.group} from {start}Z on is damaged: {error}.")


def of_channel(
    blocks: Iterable[Block], channel: str, from_us: int, to_us: int, most_ticks: int, damaged: list[str]
) -> ChannelHistory:
    """Put one channel's ticks in [from_us, to_us) together, at most about `most_ticks`."""
    times: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
    columns: dict[str, list[npt.NDArray[np.generic]]] = {
        **{name: [np.empty(0, np.float32)] for name in LEVELS},
        **{name: [np.empty(0, np.uint8)] for name in CODES},
    }
    taken, next_from_us = 0, None
    for block in blocks:
        if channel not in block.channels:
            continue
        if taken >= most_ticks:
            next_from_us = int(block.time_us[0])
            break
        rows = (block.time_us >= from_us) & (block.time_us < to_us)
        taken += int(rows.sum())
        times.append(block.time_us[rows])
        at = block.channels.index(channel)
        for name, parts in columns.items():
            parts.append(block.column(name)[rows, at])
    joined = {name: np.concatenate(parts) for name, parts in columns.items()}
    return ChannelHistory(np.concatenate(times), **joined, damaged=tuple(damaged), next_from_us=next_from_us)


def coarse_history(
    connection: sa.Connection, group: str, channel: str, from_us: int, to_us: int, every_s: int
) -> ChannelHistory:
    """One channel's hours or days, with the ticks of those hours that are not summed up yet.

    Where too many are not (after an upgrade), a sentence in `damaged` tells how many hours are missing.
    """
    damaged: list[str] = []
    due = coarse.read_due(connection, group, from_us, to_us, MOST_DUE_HOURS + 1)
    if len(due) > MOST_DUE_HOURS:
        damaged.append("Older history is still being summed up for long spans; some is missing here.")
    found = [
        _without(b, due, every_s) for b in coarse.read_coarse(connection, group, every_s, from_us, to_us)
    ]
    for hour_us in due[:MOST_DUE_HOURS]:
        found += decoded(read_blocks(connection, group, hour_us, hour_us + HOUR_US), damaged)
    whole = of_channel(found, channel, from_us, to_us, sys.maxsize, damaged)
    order = np.argsort(whole.time_us, kind="stable")
    columns = {name: getattr(whole, name)[order] for name in LEVELS + CODES}
    return ChannelHistory(whole.time_us[order], **columns, damaged=tuple(damaged))


def _without(block: Block, due: list[int], every_s: int) -> Block:
    """Hours that have had ticks since they were summed up are left out: their ticks are read instead."""
    if every_s != HOUR_S:
        return block
    return block.rows(~np.isin(block.time_us // HOUR_US * HOUR_US, due))
