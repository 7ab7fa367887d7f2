"""One group judged once more from what is stored: its samples, recorded changes and operators' actions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress

from hissmark.alarms.bank import ActionRefusedError
from hissmark.alarms.journal import Action, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change, ChangeRefusedError
from hissmark.engine.changes import Changes
from hissmark.engine.intake import NEVER, Intake
from hissmark.engine.layout import Layout
from hissmark.engine.pace import Pace
from hissmark.engine.step import Stepper
from hissmark.engine.stored import StoredTicks
from hissmark.engine.stretch_learning import Standing

Recorded = tuple[int, Action]
"""After which tick of its group an action was applied, and what it was."""


class Rerun:
    """A group of the site from its first stored sample on, or from a state."""

    def __init__(self, layout: Layout, changes: Sequence[Change], actions: Sequence[Recorded]) -> None:
        """`layout`: of one group. `changes`, `actions`: on record, in order; those of other groups are passed
        over."""
        self.layout = layout
        self.stepper = Stepper(layout)
        self.ticks = StoredTicks(layout)
        self._await(changes)
        here = {channel.subject for channel in layout.channels}
        self.actions = [row for row in actions if row[1].valve in here]
        self.pace = Pace(layout)
        self.standing: Standing | None = None
        self.judged = 0
        """How many ticks were judged, and of them one by one."""
        self.singly = 0

    def go_on_from(self, stepper: Stepper, intake: Intake, changes: Sequence[Change]) -> None:
        """Begin with a state instead; `changes`: those that it does not contain."""
        self.stepper, self.ticks.intake = stepper, intake
        self._await(changes)

    def _await(self, changes: Sequence[Change]) -> None:
        self.changes = Changes(self.stepper)
        for change in changes:
            with suppress(ChangeRefusedError):  # of a group, valve or sensor that is not here
                self.changes.take(change, self.ticks.intake.tick_us)

    def offer(self, batch: Batch) -> None:
        """Take samples, see `StoredTicks.offer`."""
        self.ticks.offer(batch)

    def advance(self, before_us: int) -> Iterator[JournalEntry]:
        """Judge every tick up to `before_us`, before which every sample has been offered."""
        yield from self._act()
        while (at_us := self.ticks.next_tick(before_us)) is not None:
            if not self._stretched(at_us, before_us):
                yield from self._tick(at_us)
            yield from self._act()

    def _tick(self, at_us: int) -> list[JournalEntry]:
        portion = self.ticks.portion(at_us)
        self.changes.bring(at_us, portion.groups)
        seen = self.stepper.examine(portion, self.ticks.intake)
        entries = self.stepper.decide(seen).entries
        self.stepper.learn(seen)
        self.standing = Standing.of(seen)
        self.judged += 1
        self.singly += 1
        return entries

    def _stretched(self, at_us: int, before_us: int) -> bool:
        """Whether some ticks could be taken at once."""
        if self.pace.waits() or self.standing is None:
            return False
        count = self.calm_ticks(at_us, before_us)
        stretch = self.pace.stretch_for(count)
        if stretch is None:
            return False
        plan = stretch.plan(self.ticks, at_us, count)
        tried = stretch.attempt(self.stepper, plan, self.standing)
        stretch.keep([(self.stepper, tried)], self.ticks, plan, tried.taken)
        self.judged += tried.taken
        if tried.taken:
            self.standing = Standing.of(tried.seen, tried.taken - 1)
        self.pace.result(tried.taken == plan.many)
        return tried.taken > 0

    def calm_ticks(self, at_us: int, before_us: int) -> int:
        """How many ticks from `at_us` on nothing recorded falls into."""
        step, last_us = self.ticks.step_us, before_us
        for change, _ in self.changes.waiting:
            last_us = min(last_us, change.effective_us)
        if self.actions:
            last_us = min(last_us, self.actions[0][0])
        return (last_us - at_us) // step + 1 if last_us >= at_us else 0

    def _act(self) -> Iterator[JournalEntry]:
        """Actions whose time has come."""
        tick_us = int(self.ticks.intake.tick_us[0])
        while self.actions and max(tick_us, 0) >= self.actions[0][0]:
            _, action = self.actions.pop(0)
            try:
                yield from self.stepper.alarms.act(action, tick_us if tick_us > NEVER else 0)
            except ActionRefusedError:
                continue  # under other settings there may be nothing to act upon
