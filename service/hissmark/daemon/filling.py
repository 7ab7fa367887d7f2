"""Groups are judged again where samples came after their time, and the outcome takes the place of what
was.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import structlog

from hissmark.daemon.errands import Errands
from hissmark.daemon.judged_again import JudgedAgain, Portion
from hissmark.daemon.record import reading_rows
from hissmark.decode.columns import Batch, Flag
from hissmark.engine.engine import Engine
from hissmark.engine.graft import graft
from hissmark.engine.intake import NEVER
from hissmark.engine.layout import Layout
from hissmark.store.backfill import Mark, marks_of
from hissmark.store.reader import Reader
from hissmark.store.writer import Transaction, Writer

log = structlog.get_logger("hissmark.daemon")

LATE, IMPORT = "late", "import"
CHECKPOINT_US = 86_400_000_000
"""How often the engine's state is kept for judging again."""


def late_marks(batch: Batch, layout: Layout) -> list[Mark]:
    """What of a batch came too late to be judged, by group."""
    late = np.flatnonzero((batch.flags & int(Flag.LATE)) != 0)
    if not len(late):
        return []
    return marks_for(layout, batch.series[late], batch.time_us[late], LATE)


def marks_for(
    layout: Layout, series: npt.NDArray[Any], time_us: npt.NDArray[np.int64], cause: str
) -> list[Mark]:
    """Marks for samples of `layout.names`; a tag that several groups use concerns all of them."""
    order = np.argsort(layout.input_series, kind="stable")
    sorted_series = layout.input_series[order]
    first, last = np.searchsorted(sorted_series, series), np.searchsorted(sorted_series, series, side="right")
    rows = np.repeat(np.arange(len(series)), last - first)
    offset = np.arange(len(rows)) - np.repeat(np.cumsum(last - first) - (last - first), last - first)
    group = layout.input_group[order[first[rows] + offset]]
    return marks_of(layout.group_names, group, time_us[rows], cause)


def checkpoint_if_due(tx: Transaction, engine: Engine, newest_us: int | None, now_us: int) -> bool:
    """Keep the engine's state once a day."""
    if newest_us is not None and now_us - newest_us < CHECKPOINT_US:
        return False
    names, ticks = engine.layout.group_names, engine.intake.tick_us.tolist()
    known = {name: tick for name, tick in zip(names, ticks, strict=True) if tick > NEVER}
    tx.checkpoint(json.dumps(known), engine.snapshot())
    return True


class Filling:
    """One mark worked off: portions first, then the end, which makes the engine go on from the new state.

    The portions may be put on record by any thread that holds the writer; the end belongs to the one that
    owns the engine. Cut short anywhere, the mark stands and the same is done once more.
    """

    def __init__(self, reader: Reader, layout: Layout, mark: Mark) -> None:
        self.mark, self.layout = mark, layout
        self._reader = reader
        self._again = JudgedAgain(layout, reader, mark.group, mark.from_us)
        self._valves = [c.subject for c in layout.channels if c.group == mark.group]
        self._ticks = self._verdicts = self._entries = 0

    def portions(self) -> Iterator[Portion]:
        """What is stored by now, judged."""
        return self._again.portions()

    @property
    def ticks(self) -> int:
        """Put on record so far."""
        return self._ticks

    def put(self, tx: Transaction, portion: Portion) -> None:
        """Put a portion on record."""
        found = tx.anew(
            self.mark.group, portion.after_us, portion.to_us, portion.blocks, self._valves, portion.changes,
            portion.entries,
        )  # fmt: skip
        self._ticks += portion.ticks
        self._verdicts += len(portion.changes)
        self._entries += found

    def end(self, engine: Engine, writer: Writer, also: Callable[[Transaction], None]) -> None:
        """Judge what has come since, put it on record, and let `engine` go on from there.

        `also` writes what else belongs into the same transaction, with the engine as it is then.
        """
        group = engine.layout.group_names.index(self.mark.group)
        was_us = int(engine.intake.tick_us[group])
        rest = list(self._again.portions())
        if self._again.started:
            graft(self._again.engine, engine)
        to_us = max(self._again.tick_us, was_us, self.mark.from_us)
        with writer.transaction() as tx:
            also(tx)  # first: what it has of this group is of before
            if self._again.last is not None:
                tx.readings(reading_rows(self._again.layout, self._again.last))
            for portion in rest:
                self.put(tx, portion)
            if to_us > self._again.tick_us > NEVER:  # ticks that will be judged once more
                tx.anew(self.mark.group, self._again.tick_us, to_us, (), self._valves, (), ())
            tx.backfilled(self.mark, to_us, self._ticks, self._verdicts, self._entries)
        log.info(
            "judged again with what came after its time", group=self.mark.group, ticks=self._ticks,
            journal_entries=self._entries, cause=self.mark.cause,
        )  # fmt: skip


class Owner(Protocol):
    """The thread that owns engine and writer, as far as it is needed here."""

    def put_anew(self, filling: Filling, portion: Portion) -> None: ...
    def end_filling(self, filling: Filling) -> None: ...
    def drop_mark(self, mark: Mark) -> None: ...


class BackfillJob:
    """Works off what is marked, on the housekeeping thread; the worker puts it on record between its
    rounds.
    """

    def __init__(self, reader: Reader, layout: Callable[[], Layout], owner: Errands[Owner]) -> None:
        self._reader, self._layout, self._owner = reader, layout, owner

    def run(self) -> None:
        """Every mark once; what fails is tried again at the next time."""
        for mark in self._reader.backfill_marks():
            layout = self._layout()
            if mark.group in layout.group_names:
                self._fill(Filling(self._reader, layout, mark))
            else:
                self._owner.do(partial(_drop, mark=mark))

    def _fill(self, filling: Filling) -> None:
        began_s = time.monotonic()
        for portion in filling.portions():
            self._owner.do(partial(_put, filling=filling, portion=portion))
            time.sleep(min(1.0, time.monotonic() - began_s))  # intake comes first
            began_s = time.monotonic()
        self._owner.do(lambda owner: owner.end_filling(filling))


def _put(owner: Owner, *, filling: Filling, portion: Portion) -> None:
    owner.put_anew(filling, portion)


def _drop(owner: Owner, *, mark: Mark) -> None:
    """Of a group that the register no longer has."""
    owner.drop_mark(mark)
