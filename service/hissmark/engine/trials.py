"""One group under several settings at once, sharing whatever the settings do not touch.

Levels, backgrounds and evidence of a group do not depend on where the limits are put; only what is decided
from them does. What was decided feeds back: a valve that is said to pass is judged as one that may go on, and
keeps backgrounds from following. So variants hear and learn together for as long as they decide alike, and
every variant gets exactly what a replay of its own would give; that is tested, not hoped.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from hissmark.decode.columns import Batch
from hissmark.engine.changes import Changes
from hissmark.engine.intake import NEVER
from hissmark.engine.lanes import Lanes
from hissmark.engine.rerun import Rerun
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.stretch import Stretch
from hissmark.engine.stretch_learning import Standing
from hissmark.engine.variants import Decisions, Told, Variant
from hissmark.judge.codes import among
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Explanation

UNDER_DOUBT = (Explanation.UNEXPLAINED, Explanation.ONE_PASSING, Explanation.TWO_PASSING)


class Trials:
    """Variants of the settings from where `rerun` has come on. `rerun` is used up.

    Attributes:
        rerun: what is on record and still to come.
        judged: how many ticks were judged, and `singly` of them one by one.
    """

    def __init__(self, rerun: Rerun, variants: Sequence[Variant]) -> None:
        self.rerun, self.layout, self.ticks = rerun, rerun.layout, rerun.ticks
        self.singly = self.judged = 0
        self._decisions = Decisions(self.layout, rerun.stepper, variants)
        self._lanes = Lanes(self.layout, rerun.stepper, len(variants), rerun.standing)
        self._retune()

    @property
    def most_lanes(self) -> int:
        """In how many ways the variants heard at most."""
        return self._lanes.most

    def begin_from(self, states: Sequence[Stepper], heard_as: Sequence[int]) -> None:
        """Go on with a state for each variant; those of the same number in `heard_as` have heard alike."""
        for v, state in enumerate(states):
            self._decisions.begin_from(v, state)
        self._lanes.part(np.array(heard_as)[:, None])
        for lane, v in self._lanes.firsts():
            self._lanes.put(lane, states[v])

    def each(self) -> Iterator[Stepper]:
        """The state of every variant, one after the other: under the settings in force, not its own."""
        for v, lane in enumerate(self._lanes.of.tolist()):
            single = self._lanes.single(lane)
            self._decisions.hand_on(v, single)
            yield single

    def heard_as(self) -> list[int]:
        """A number for each variant, the same for those that have heard alike."""
        return [int(lane) for lane in self._lanes.of]

    def offer(self, batch: Batch) -> None:
        """Take samples, see `StoredTicks.offer`."""
        self.ticks.offer(batch)

    def advance(self, before_us: int) -> Iterator[Told]:
        """Judge every tick up to `before_us`; yields (variant, entry), each variant's in its order."""
        yield from self._act()
        while (at_us := self.ticks.next_tick(before_us)) is not None:
            if not self._stretched(at_us, before_us):
                yield from self._tick(at_us)
            yield from self._act()

    def _tick(self, at_us: int) -> Iterator[Told]:
        portion = self.ticks.portion(at_us)
        self._bring(at_us)
        self._stand()
        seen = self._lanes.examine(portion, self.ticks.intake)
        entries = self._decisions.decide(self._lanes.for_variants(seen, self._decisions.stepper))
        self._stand()
        self._lanes.learn(seen)
        if len(self._lanes.used) > 1 and at_us % self._lanes.stepper.baselines.stride_us == 0:
            self._lanes.join()
        self.judged += 1
        self.singly += 1
        return entries

    def _stand(self) -> None:
        """Variants that decided differently part, and every lane sees what was decided."""
        self._lanes.part(self._decisions.marks())
        self._lanes.stand(self._decisions)

    def _act(self) -> Iterator[Told]:
        """Operators' actions whose time has come."""
        tick_us = int(self.ticks.intake.tick_us[0])
        actions = self.rerun.actions
        while actions and max(tick_us, 0) >= actions[0][0]:
            yield from self._decisions.act(actions.pop(0)[1], tick_us if tick_us > NEVER else 0)

    # --- settings and other changes on record ---

    def _bring(self, at_us: int) -> None:
        """Recorded changes whose time has come."""
        waiting = self.rerun.changes.waiting
        due = [row for row in waiting if at_us > row[0].effective_us]
        if not due:
            return
        self.rerun.changes.waiting = [row for row in waiting if at_us <= row[0].effective_us]
        for lane in self._lanes.used.tolist():
            single = self._lanes.single(lane)
            changes = Changes(single)
            changes.waiting = [(change, {0}) for change, _ in due]
            changes.bring(at_us, np.ones(1, bool))
            self._lanes.put(lane, single)
        for change, _ in due:
            self._decisions.take(change)
            self._decisions.retune()
        self._retune()

    def _retune(self) -> None:
        """A lane for each set of values that hearing or learning depends on."""
        lanes = self._lanes
        lanes.part(self._decisions.heard_by())
        for lane, variant in lanes.firsts():
            lanes.tune(lane, self._decisions.overrides_of(variant))
        lanes.retune()

    # --- many ticks at once ---

    def _stretched(self, at_us: int, before_us: int) -> bool:
        """Whether some ticks could be taken at once, for all variants together."""
        pace = self.rerun.pace
        if pace.waits():
            return False
        count = self.rerun.calm_ticks(at_us, before_us)
        stretch = pace.stretch_for(count)
        used = self._lanes.used.tolist()
        stood = [found for lane in used if (found := self._lanes.standing(lane)) is not None]
        if stretch is None or len(stood) < len(used) or not self._decisions.at_rest():
            return False
        taken, whole = self._try(stretch, at_us, count, dict(zip(used, stood, strict=True)))
        self.judged += taken
        pace.result(whole)
        return taken > 0

    def _try(self, stretch: Stretch, at_us: int, count: int, stood: dict[int, Standing]) -> tuple[int, bool]:
        """Judge ticks at once in every lane; how many count, and whether that was all of them."""
        plan = stretch.plan(self.ticks, at_us, count)
        tried, taken = {}, plan.many
        for lane, standing in stood.items():
            single = self._lanes.ongoing(lane)
            self._decisions.hand_over(int((self._lanes.of == lane).argmax()), single)
            attempt = stretch.attempt(single, plan, standing)
            tried[lane] = (single, attempt)
            taken = min(taken, attempt.taken, self._until_doubt(single, attempt.seen))
        stretch.keep(list(tried.values()), self.ticks, plan, taken)
        if taken:
            for lane, (_, attempt) in tried.items():
                self._lanes.goes_on(lane)
                self._lanes.stood(lane, Standing.of(attempt.seen, taken - 1))
        return taken, taken == plan.many

    def _until_doubt(self, single: Stepper, seen: Seen) -> int:
        """The first tick at which some variant might call a valve contested or wait for evidence."""
        of = np.repeat(np.arange(len(seen.groups.mode)), len(self.layout.channels))
        limit = np.tile(single.tuned.rise_limit_db, len(seen.groups.mode))
        with np.errstate(invalid="ignore"):
            above = (seen.rise >= limit) & (seen.blocked == NONE)
        doubt = above & among(seen.groups.explanation, UNDER_DOUBT)[of]
        by_tick = doubt.reshape(len(seen.groups.mode), -1).any(axis=1)
        return int(by_tick.argmax()) if by_tick.any() else len(by_tick)
