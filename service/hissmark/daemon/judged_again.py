"""A group judged once more from what is stored, as if everything had come in time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import structlog

from hissmark.alarms.bank import ActionRefusedError
from hissmark.alarms.journal import JournalEntry
from hissmark.daemon.record import changes_of
from hissmark.daemon.recovery import action_of, all_actions_after
from hissmark.decode.columns import Batch, Flag
from hissmark.engine.copies import one_group
from hissmark.engine.engine import Engine
from hissmark.engine.intake import NEVER
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.snapshot import SnapshotError
from hissmark.store.blocks import Block
from hissmark.store.reader import Reader
from hissmark.store.recall import hand_over
from hissmark.store.records import ActionRow, VerdictChange
from hissmark.store.ticked import blocks_of

log = structlog.get_logger("hissmark.daemon")

TICKS_A_PORTION = 720
NEVER_JUDGED = Flag.AHEAD | Flag.RETAINED


@dataclass
class Portion:
    """What a stretch of ticks came to. It stands for everything of the group in (after_us, to_us]."""

    after_us: int
    to_us: int
    ticks: int = 0
    blocks: list[tuple[str, Block]] = field(default_factory=list)
    changes: list[VerdictChange] = field(default_factory=list)
    entries: list[JournalEntry] = field(default_factory=list)


class JudgedAgain:
    """One group from before `from_us` on. `engine` is of that group alone.

    It begins with the newest checkpoint before `from_us` that nothing has been filled in behind since, or
    with the first sample on record.
    """

    def __init__(self, layout: Layout, reader: Reader, group: str, from_us: int) -> None:
        self.group, self._reader, self._from_us = group, reader, from_us
        self.layout = one_group(layout, group)
        self.engine = self._begun()
        self._done_us = from_us
        self.last: Tick | None = None
        """The newest tick, of the layout of this group alone."""
        self._actions: list[ActionRow] = []

    @property
    def tick_us(self) -> int:
        """The group's last tick."""
        return int(self.engine.intake.tick_us[0])

    def _begun(self) -> Engine:
        engine = Engine(self.layout)
        for checkpoint in self._reader.checkpoints(self.group, self._from_us):
            try:
                engine.restore(checkpoint.payload)
            except SnapshotError as error:
                log.warning("a checkpoint cannot be used", reason=str(error))
                engine = Engine(self.layout)
            else:
                break
        return engine

    def portions(self) -> Iterator[Portion]:
        """Judge up to what is stored now; may be asked again for what has come since."""
        engine = Engine(self.layout)
        engine.restore(self.engine.snapshot())  # without the samples that waited: they are read again
        self.engine = engine
        hand_over(engine, self._reader)
        here = {channel.subject for channel in self.layout.channels}
        rows = all_actions_after(self._reader, engine.action_id)
        self._actions = [r for r in rows if r.applied_after_us is not None and r.request.valve in here]
        ticks: list[Tick] = []
        entries = self._due()
        for batch in self._reader.samples_after(self.layout.names, engine.resume_from_us or 0):
            engine.accept(_as_if_in_time(batch))
            for tick in engine.ticks():
                ticks.append(tick)
                self.last = tick
                entries += [*tick.entries, *self._due()]
                if len(ticks) >= TICKS_A_PORTION:
                    yield self._portion(ticks, entries)
                    ticks, entries = [], []
        if ticks or entries:
            yield self._portion(ticks, entries)

    def _portion(self, ticks: list[Tick], entries: list[JournalEntry]) -> Portion:
        told = [tick for tick in ticks if tick.at_us > self._from_us]
        portion = Portion(self._done_us, max(self._done_us, self.tick_us), len(told))
        portion.blocks = list(blocks_of(told, self.layout))
        portion.changes = [change for tick in told for change in changes_of(tick, self.layout)]
        portion.entries = [entry for entry in entries if entry.at_us > self._from_us]
        self._done_us = portion.to_us
        return portion

    def _due(self) -> list[JournalEntry]:
        """Operators' actions whose tick has come, carried out."""
        entries: list[JournalEntry] = []
        while self._actions and max(self.tick_us, 0) >= (self._actions[0].applied_after_us or 0):
            try:
                entries += self.engine.act(action_of(self._actions.pop(0)))
            except ActionRefusedError:
                continue  # with all samples there may be nothing to act upon
        return entries

    @property
    def started(self) -> bool:
        """Whether the group has been judged at all."""
        return self.tick_us > NEVER


def _as_if_in_time(batch: Batch) -> Batch:
    """Without what is never judged, and without the mark of having come late."""
    keep = (batch.flags & int(NEVER_JUDGED)) == 0
    return Batch(
        batch.series[keep], batch.time_us[keep], batch.value[keep], np.zeros(int(keep.sum()), np.uint8)
    )
