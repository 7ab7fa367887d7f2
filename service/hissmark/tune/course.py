"""One group on its way through stored history: register by register, first learning, then under variants."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change
from hissmark.engine.rerun import Recorded, Rerun
from hissmark.engine.succession import trials_under_next, under_next
from hissmark.engine.trials import Trials
from hissmark.engine.variants import Told, Variant
from hissmark.store.recall import judged_once
from hissmark.tune.stages import Lineage


class Course:
    """A group replayed. Samples are offered in order of time; what one register leaves the next gets."""

    def __init__(
        self, lineage: Lineage, begin_us: int, changes: Sequence[Change], actions: Sequence[Recorded],
        variants: Sequence[Variant],
    ) -> None:  # fmt: skip
        """`begin_us`: from where on samples will be offered. `changes`, `actions`: on record."""
        self._changes, self._actions, self._variants = changes, actions, variants
        self._begin_us = begin_us if lineage.begins_us is None else max(begin_us, lineage.begins_us)
        stages = [s for s in lineage.stages if s.until_us is None or s.until_us > self._begin_us]
        self._layout, self._until_us = stages[0].layout, stages[0].until_us
        self._following = stages[1:]
        self._rerun = Rerun(self._layout, changes, actions)
        self._trials: Trials | None = None
        self._waiting: list[tuple[Batch, Sequence[str]]] = []
        self._counted = (0, 0)
        self.newest_us = 0
        """The newest sample that was offered of what the group hears."""

    @property
    def names(self) -> list[str]:
        """Every name that is heard under one of the registers."""
        layouts = [self._layout, *(stage.layout for stage in self._following)]
        return list(dict.fromkeys(name for layout in layouts for name in layout.names))

    @property
    def counts(self) -> tuple[int, int]:
        """Ticks judged, and of them one by one."""
        judged, singly = self._counted
        parts: list[Rerun | Trials | None] = [self._rerun, self._trials]
        for part in parts:
            if part is not None:
                judged, singly = judged + part.judged, singly + part.singly
        return judged, singly

    def offer(self, batch: Batch, names: Sequence[str]) -> None:
        """Take samples; their series are places in `names`."""
        rows = batch.time_us >= self._begin_us
        mine = np.flatnonzero(rows & np.isin(names, self.names)[batch.series])
        if len(mine):
            self.newest_us = int(batch.time_us[mine[-1]])
        self._waiting.append((batch if rows.all() else _taken(batch, rows), names))

    def learn(self, upto_us: int) -> Iterator[JournalEntry]:
        """Judge under the settings in force up to a moment before which everything has been offered."""
        while self._until_us is not None and self._until_us <= upto_us:
            self._hand_over(self._until_us)
            yield from self._rerun.advance(self._until_us)
            self._go_on()
        self._hand_over(None)
        yield from self._rerun.advance(upto_us)

    def begin_trials(self) -> None:
        """From here on every variant goes its own way."""
        self._trials = Trials(self._rerun, self._variants)

    def run(self, upto_us: int) -> Iterator[Told]:
        """The same as `learn` under every variant."""
        while self._until_us is not None and self._until_us <= upto_us:
            self._hand_over(self._until_us)
            yield from self._advanced(self._until_us)
            self._go_on()
        self._hand_over(None)
        yield from self._advanced(upto_us)

    def _advanced(self, upto_us: int) -> Iterator[Told]:
        return iter(()) if self._trials is None else self._trials.advance(upto_us)

    def _go_on(self) -> None:
        """Under the next register."""
        self._counted = self.counts
        stage = self._following.pop(0)
        self._layout, self._until_us = stage.layout, stage.until_us
        recorded = self._changes, self._actions
        if self._trials is None:
            self._rerun = under_next(self._rerun, self._layout, *recorded)
            return
        self._trials = trials_under_next(self._trials, self._layout, self._variants, *recorded)
        self._rerun = self._trials.rerun

    def _hand_over(self, until_us: int | None) -> None:
        """Offer what was measured before a moment (None: all) to the register in force."""
        waiting, self._waiting = self._waiting, []
        for batch, names in waiting:
            count = len(batch) if until_us is None else int(np.searchsorted(batch.time_us, until_us))
            if count:
                (self._trials or self._rerun).offer(self._heard(_taken(batch, slice(0, count)), names))
            if count < len(batch):
                self._waiting.append((_taken(batch, slice(count, None)), names))

    def _heard(self, batch: Batch, names: Sequence[str]) -> Batch:
        """Of a batch what the register in force hears and what was judged when it came."""
        index = self._layout.series_index()
        series = np.array([index.get(name, -1) for name in names], np.int32)[batch.series]
        known = Batch(series, batch.time_us, batch.value, batch.flags)
        mine = series >= 0
        return judged_once(known if mine.all() else _taken(known, mine), self._layout)


def _taken(batch: Batch, rows: slice | np.ndarray) -> Batch:
    return Batch(batch.series[rows], batch.time_us[rows], batch.value[rows], batch.flags[rows])
