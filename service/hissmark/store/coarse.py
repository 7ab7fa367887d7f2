"""The coarse history in the store: marked as due with every tick, summed up by housekeeping, read back.

Whatever writes ticks (the service, an import, a replay into the store) marks their hours as due in the same
transaction. Housekeeping takes hours that are over, sums them up and strikes them off the list, again in one
transaction; so a coarse block is never out of step with the ticks for longer than that takes.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from itertools import groupby
from typing import Any

import numpy as np
import sqlalchemy as sa

from hissmark.store.block_bytes import DamagedBlockError, decode, encode
from hissmark.store.blocks import HOUR_US, Block, merge
from hissmark.store.coarsen import DAY_S, HOUR_S, SPAN_S, US, summed_up
from hissmark.store.dialects import upsert
from hissmark.store.errors import in_words
from hissmark.store.open import place_of
from hissmark.store.schema import tick_blocks
from hissmark.store.tables_coarse import coarse_blocks, hours_due

SETTLES_US = 20 * 60 * US
"""An hour is summed up this long after its end: what comes later marks it as due once more."""
HOURS_A_BITE = 240
GROUPS_A_BITE = 10
PAUSE_S = 0.02
"""Between two bites, so that the writer gets its turn."""


def mark_due(connection: sa.Connection, hours: Iterable[tuple[str, int]]) -> None:
    """These hours (group, any time within) have had ticks."""
    rows = sorted({(group, time_us // HOUR_US * HOUR_US) for group, time_us in hours})
    if rows:
        statement = upsert(connection, hours_due).on_conflict_do_nothing(
            index_elements=["group_name", "start_us"]
        )
        connection.execute(statement, [{"group_name": g, "start_us": at} for g, at in rows])


def sum_up(engine: sa.Engine, now_us: int, *, longest_s: float = 20.0) -> int:
    """Sum up hours that are over and due, in short transactions; returns how many were."""
    until_s, done = time.monotonic() + longest_s, 0
    while time.monotonic() < until_s:
        with in_words(place_of(engine.url)), engine.begin() as connection:
            bite = _bite(connection, now_us)
        done += bite
        if not bite:
            break
        time.sleep(PAUSE_S)
    return done


def _bite(connection: sa.Connection, now_us: int) -> int:
    """The next hours of a few groups."""
    c = hours_due.c
    over = c.start_us <= now_us - HOUR_US - SETTLES_US
    query = sa.select(c.group_name, c.start_us).where(over).order_by(c.group_name, c.start_us)
    rows = [(str(row[0]), int(row[1])) for row in connection.execute(query.limit(HOURS_A_BITE))]
    taken = 0
    for i, (group, of_group) in enumerate(groupby(rows, key=lambda row: row[0])):
        if i == GROUPS_A_BITE:
            break
        hours = [start_us for _, start_us in of_group]
        _sum_up_group(connection, group, hours)
        strike = sa.delete(hours_due).where(c.group_name == group, c.start_us.in_(hours))
        connection.execute(strike)
        taken += len(hours)
    return taken


def _sum_up_group(connection: sa.Connection, group: str, hours: list[int]) -> None:
    """The hours anew, and the days they are of; of an hour that has no ticks any more nothing is kept."""
    ticks = _together(_ticks(connection, group, hours))
    days = sorted({hour_us // (DAY_S * US) * DAY_S * US for hour_us in hours})
    _put(connection, group, HOUR_S, hours, None if ticks is None else summed_up(ticks, HOUR_S))
    by_hour = _together(read_coarse(connection, group, HOUR_S, days[0], days[-1] + DAY_S * US))
    if by_hour is not None:
        touched = np.isin(by_hour.time_us // (DAY_S * US) * DAY_S * US, days)
        _put(connection, group, DAY_S, days, summed_up(by_hour.rows(touched), DAY_S))


def _ticks(connection: sa.Connection, group: str, hours: list[int]) -> list[Block]:
    c, starts = tick_blocks.c, set(hours)
    query = sa.select(c.start_us, c.payload).where(
        c.group_name == group, c.start_us >= hours[0], c.start_us < hours[-1] + HOUR_US
    )
    found = []
    for start_us, payload in connection.execute(query.order_by(c.start_us)):
        if int(start_us) // HOUR_US * HOUR_US in starts:
            found += _readable(payload)
    return found


def _readable(payload: bytes) -> list[Block]:
    """The block; none if it is damaged, which whoever reads the ticks themselves is told."""
    try:
        return [decode(payload)]
    except DamagedBlockError:
        return []


def _together(blocks: list[Block]) -> Block | None:
    """All of them in one; halves are joined first, so that long lists stay quick."""
    if len(blocks) < 2:
        return blocks[0] if blocks else None
    middle = len(blocks) // 2
    first, second = _together(blocks[:middle]), _together(blocks[middle:])
    return merge(first, second) if first is not None and second is not None else first or second


def _put(
    connection: sa.Connection, group: str, every_s: int, periods: list[int], arrived: Block | None
) -> None:
    """Put these periods (their starts) into their blocks, in place of what was there of them."""
    span_us, every_us = SPAN_S[every_s] * US, every_s * US
    for start_us in sorted({at // span_us * span_us for at in periods}):
        held = _read(connection, group, every_s, start_us)
        parts = [] if held is None else [held.rows(~np.isin(held.time_us // every_us * every_us, periods))]
        if arrived is not None:
            parts.append(arrived.rows(arrived.time_us // span_us * span_us == start_us))
        whole = _together(parts)
        if whole is not None:
            _write(connection, group, every_s, start_us, whole)


def _read(connection: sa.Connection, group: str, every_s: int, start_us: int) -> Block | None:
    c = coarse_blocks.c
    query = sa.select(c.payload).where(c.group_name == group, c.every_s == every_s, c.start_us == start_us)
    payload = connection.scalar(query)
    return next(iter(_readable(payload)), None) if payload is not None else None


def _write(connection: sa.Connection, group: str, every_s: int, start_us: int, block: Block) -> None:
    values: dict[str, Any] = {"group_name": group, "every_s": every_s, "start_us": start_us}
    statement = upsert(connection, coarse_blocks).values(**values, payload=encode(block))
    statement = statement.on_conflict_do_update(
        index_elements=list(values), set_={"payload": statement.excluded.payload}
    )
    connection.execute(statement)


def read_coarse(connection: sa.Connection, group: str, every_s: int, from_us: int, to_us: int) -> list[Block]:
    """The coarse blocks that may hold periods in [from_us, to_us), ascending."""
    c, span_us = coarse_blocks.c, SPAN_S[every_s] * US
    query = sa.select(c.payload).where(
        c.group_name == group, c.every_s == every_s, c.start_us >= from_us // span_us * span_us,
        c.start_us < to_us,
    )  # fmt: skip
    return [
        block for row in connection.execute(query.order_by(c.start_us)) for block in _readable(row.payload)
    ]


def read_due(connection: sa.Connection, group: str, from_us: int, to_us: int, limit: int) -> list[int]:
    """Hours with ticks in [from_us, to_us) that are not summed up, the newest first, at most `limit`."""
    c = hours_due.c
    query = sa.select(c.start_us).where(
        c.group_name == group, c.start_us >= from_us // HOUR_US * HOUR_US, c.start_us < to_us
    )
    return [int(row[0]) for row in connection.execute(query.order_by(c.start_us.desc()).limit(limit))]
