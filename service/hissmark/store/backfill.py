"""Samples that came after their time: which groups are to be judged again, and what came of it.

A mark is made in the transaction that stores such samples, so none is forgotten; it is struck off in the one
that ends the judging. In between, the same work may be done twice: it comes to the same.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import replace as with_
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]
import sqlalchemy as sa

from hissmark.alarms.journal import JournalEntry
from hissmark.store import history, judged
from hissmark.store.block_bytes import decode, encode
from hissmark.store.blocks import HOUR_US, Block
from hissmark.store.coarse import mark_due
from hissmark.store.dialects import upsert
from hissmark.store.records import StoredBlock, VerdictChange
from hissmark.store.schema import tick_blocks, verdict_changes
from hissmark.store.tables_backfill import backfill_marks, backfills, engine_checkpoints

_CODEC = pa.Codec("zstd", compression_level=1)
_MOST_BYTES = 1 << 31
CHECKPOINTS_KEPT = 40


@dataclass(frozen=True, slots=True)
class Mark:
    """Samples of a group with from_us <= time <= to_us came after their time. `cause`: ``late`` or
    ``import``.
    """

    group: str
    from_us: int
    to_us: int
    samples: int
    cause: str


@dataclass(frozen=True, slots=True)
class Backfill:
    """A group that was judged again: everything of it after `from_us` up to `to_us` may differ from before.

    Attributes:
        entries: journal entries that were found. verdicts: changes of verdicts in that time.
    """

    id: int
    group: str
    from_us: int
    to_us: int
    samples: int
    cause: str
    done_us: int
    ticks: int
    verdicts: int
    entries: int


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The engine's state at a moment of the past. `ticks` is JSON: group -> its last tick."""

    saved_us: int
    ticks: str
    payload: bytes


def mark(connection: sa.Connection, marks: Iterable[Mark]) -> None:
    """Widen the marks of groups."""
    for each in marks:
        c = backfill_marks.c
        row = connection.execute(sa.select(backfill_marks).where(c.group_name == each.group)).one_or_none()
        old = Mark(*row) if row else each
        values = {
            "group_name": each.group,
            "from_us": min(old.from_us, each.from_us),
            "to_us": max(old.to_us, each.to_us),
            "samples": each.samples + (old.samples if row else 0),
            "cause": each.cause,
        }
        statement = upsert(connection, backfill_marks)
        others = {name: statement.excluded[name] for name in values if name != "group_name"}
        connection.execute(
            statement.on_conflict_do_update(index_elements=["group_name"], set_=others), [values]
        )


def read_marks(connection: sa.Connection) -> list[Mark]:
    """What is to be judged again, the oldest first."""
    return [
        Mark(*r) for r in connection.execute(sa.select(backfill_marks).order_by(backfill_marks.c.from_us))
    ]


def replace(
    connection: sa.Connection, group: str, after_us: int, to_us: int, blocks: Iterable[tuple[str, Block]],
    valves: Sequence[str], changes: Sequence[VerdictChange], limit: int,
) -> None:  # fmt: skip
    """Levels and verdicts of a group in (after_us, to_us] become these."""
    _cut_ticks(connection, group, after_us, to_us)
    history.merge_ticks(connection, blocks)
    c = verdict_changes.c
    connection.execute(
        sa.delete(verdict_changes).where(c.valve.in_(list(valves)), c.at_us > after_us, c.at_us <= to_us)
    )
    judged.add_verdict_changes(connection, list(changes), limit)


def _cut_ticks(connection: sa.Connection, group: str, after_us: int, to_us: int) -> None:
    """Take the ticks of a stretch out of their blocks."""
    c = tick_blocks.c
    query = sa.select(tick_blocks).where(
        c.group_name == group, c.start_us >= after_us // HOUR_US * HOUR_US, c.start_us <= to_us
    )
    hours = [StoredBlock(*row) for row in connection.execute(query).all()]
    for stored in hours:
        block = decode(stored.payload)
        kept = block.rows((block.time_us <= after_us) | (block.time_us > to_us))
        where = (c.group_name == group, c.start_us == stored.start_us)
        if len(kept) == len(block):
            continue
        if len(kept):
            values = {"ticks": len(kept), "payload": encode(kept)}
            connection.execute(sa.update(tick_blocks).where(*where).values(**values))
        else:
            connection.execute(sa.delete(tick_blocks).where(*where))
    mark_due(connection, [(group, stored.start_us) for stored in hours])


def finish(
    connection: sa.Connection, done: Mark, to_us: int, now_us: int, ticks: int, verdicts: int, entries: int
) -> None:
    """Strike the mark off, unless more has come meanwhile, and put on record what was done."""
    c = backfill_marks.c
    connection.execute(
        sa.delete(backfill_marks).where(
            c.group_name == done.group, c.samples == done.samples, c.from_us == done.from_us
        )
    )
    values = {
        "group_name": done.group, "from_us": done.from_us, "to_us": to_us, "samples": done.samples,
        "cause": done.cause, "done_us": now_us, "ticks": ticks, "verdicts": verdicts, "entries": entries,
    }  # fmt: skip
    connection.execute(sa.insert(backfills).values(**values))


def read_backfills(connection: sa.Connection, after_id: int, limit: int) -> list[Backfill]:
    """What was judged again, oldest first."""
    query = sa.select(backfills).where(backfills.c.id > after_id).order_by(backfills.c.id).limit(limit)
    return [Backfill(*row) for row in connection.execute(query)]


def put_checkpoint(connection: sa.Connection, saved_us: int, ticks: str, payload: bytes) -> None:
    """Keep the engine's state of this moment; the oldest beyond `CHECKPOINTS_KEPT` go."""
    squeezed = zlib.crc32(payload).to_bytes(4, "big") + len(payload).to_bytes(8, "big")
    squeezed += _CODEC.compress(payload, asbytes=True)
    statement = upsert(connection, engine_checkpoints).on_conflict_do_nothing(index_elements=["saved_us"])
    connection.execute(statement, [{"saved_us": saved_us, "ticks": ticks, "payload": squeezed}])
    c = engine_checkpoints.c
    query = sa.select(c.saved_us).order_by(c.saved_us.desc()).offset(CHECKPOINTS_KEPT)
    gone = [row[0] for row in connection.execute(query)]
    if gone:
        connection.execute(sa.delete(engine_checkpoints).where(c.saved_us.in_(gone)))


def newest_checkpoint_us(connection: sa.Connection) -> int | None:
    """When the newest was saved."""
    found: int | None = connection.scalar(sa.select(sa.func.max(engine_checkpoints.c.saved_us)))
    return found


def usable_checkpoints(connection: sa.Connection, group: str) -> list[tuple[int, str]]:
    """(saved, ticks) of those that hold for a group, newest first.

    One that was saved before something was filled in before it does not know of that.
    """
    c = engine_checkpoints.c
    found = connection.execute(sa.select(c.saved_us, c.ticks).order_by(c.saved_us.desc())).all()
    b = backfills.c
    filled = connection.execute(sa.select(b.from_us, b.done_us).where(b.group_name == group)).all()
    return [
        (saved, ticks) for saved, ticks in found
        if not any(done >= saved and from_us < saved for from_us, done in filled)
    ]  # fmt: skip


def read_checkpoint(connection: sa.Connection, saved_us: int) -> bytes:
    """The state as it was given to `put_checkpoint`. Raises ValueError if it is damaged."""
    c = engine_checkpoints.c
    raw: bytes = connection.execute(sa.select(c.payload).where(c.saved_us == saved_us)).scalar_one()
    size = int.from_bytes(raw[4:12], "big")
    if size > _MOST_BYTES:
        raise ValueError(f"the checkpoint claims {size} bytes")
    payload: bytes = _CODEC.decompress(raw[12:], size, asbytes=True)
    if zlib.crc32(payload) != int.from_bytes(raw[:4], "big"):
        raise ValueError("the checkpoint's checksum does not match")
    return payload


def found_entries(entries: Iterable[JournalEntry]) -> list[JournalEntry]:
    """Journal entries as those of a back-fill."""
    return [with_(entry, origin="back-fill") for entry in entries]


def marks_of(
    groups: Sequence[str], group: npt.NDArray[Any], time_us: npt.NDArray[np.int64], cause: str
) -> list[Mark]:
    """Marks of samples given by their groups (indices) and times."""
    found = []
    for g in np.unique(group).tolist():
        mine = time_us[group == g]
        found.append(Mark(groups[g], int(mine.min()), int(mine.max()), len(mine), cause))
    return found
