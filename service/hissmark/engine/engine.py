"""The engine: samples in, closed ticks out. The live service, replay, the demo and the tests call this one.

Pure in the sense that matters: no clock, file, socket or database; what comes out depends only on the
samples and operator actions that went in.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import Action, Alarm, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change
from hissmark.engine.changes import Changes
from hissmark.engine.intake import NEVER, Intake
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.snapshot import dump, load
from hissmark.engine.step import Stepper


class Engine:
    """All groups of a site, judged tick by tick."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.intake = Intake(layout)
        self.stepper = Stepper(layout)
        self.changes = Changes(self.stepper)
        self.action_id = 0
        """The newest operator action that this state contains."""

    def accept(self, batch: Batch) -> npt.NDArray[np.uint8]:
        """Take samples in. Returns uint8[n] flags: as given, plus `Flag.LATE` where the tick has closed."""
        return self.intake.accept(batch)

    def advance(self) -> list[Tick]:
        """Close every tick whose watermark has passed, in order of time."""
        return list(self.ticks())

    def ticks(self) -> Iterator[Tick]:
        """The same one by one; must be exhausted before more is accepted."""
        for portion in self.intake.portions():
            self.changes.bring(portion.at_us, portion.groups)
            yield self.stepper.step(portion, self.intake)

    def act(self, action: Action) -> list[JournalEntry]:
        """Carry out an operator's action after the last closed tick of the valve's group.

        Raises ActionRefusedError where it means nothing now.
        """
        self.action_id = max(self.action_id, action.id)
        return self.stepper.alarms.act(action, self.act_time_us(action.valve))

    def act_time_us(self, subject: str) -> int:
        """Event time at which an action on `subject` counts: its group's last tick (0 before the first)."""
        index = self.stepper.alarms.index.get(subject)
        if index is None:
            return 0
        tick = int(self.intake.tick_us[self.layout.group_of[index]])
        return tick if tick > NEVER else 0

    def admit(self, change: Change) -> Change:
        """Check a new change; returns it with the time from which it counts, ready for `change`.

        Raises ChangeRefusedError, for the person who wants it.
        """
        return self.changes.admit(change, self.intake.tick_us)

    def change(self, change: Change) -> None:
        """Take up a change that is on record. It may be handed over at any time before it counts.

        Raises ChangeRefusedError if what it is about is no longer in the register.
        """
        self.changes.take(change, self.intake.tick_us)

    @property
    def change_id(self) -> int:
        """The newest change that this state contains."""
        return self.changes.newest_id

    def alarms(self) -> list[Alarm]:
        """Every alarm that is not at rest."""
        return self.stepper.alarms.standing()

    @property
    def resume_from_us(self) -> int | None:
        """Samples at or after this time must be offered again after `restore`; None: there were none yet."""
        return self.intake.resume_from_us

    def snapshot(self) -> bytes:
        """The whole state but the pending samples."""
        return dump(self)

    def restore(self, payload: bytes) -> list[str]:
        """Take over a snapshot, channels and groups matched by name.

        Returns notes on what no longer fits (a changed register). Raises SnapshotError if it is damaged.
        """
        return load(self, payload)
