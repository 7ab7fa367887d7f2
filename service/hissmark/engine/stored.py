"""Stored samples of one group, cut into the ticks that the service closed on them.

While samples arrive, `Intake` has to wait for laggards before it closes a tick. What is in the store has
arrived: every sample that was not late belongs to the tick it was judged in, so nobody has to be waited for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import Batch
from hissmark.engine.intake import IDLE_S, NEVER, US, Intake, Portion, portion_of
from hissmark.engine.layout import Layout

I64 = npt.NDArray[np.int64]
Columns = tuple[npt.NDArray[np.int32], I64, npt.NDArray[np.float64]]
"""Inputs, times and values of samples, in order of time."""


class StoredTicks:
    """The ticks of a layout of one group. `intake` has what they are judged with: intervals, last times."""

    def __init__(self, layout: Layout) -> None:
        if len(layout.group_names) != 1:
            raise ValueError("stored samples are replayed group by group")
        self.layout = layout
        self.intake = Intake(layout)
        self.step_us = self.intake.tick_step_us
        self._inputs: npt.NDArray[np.int32] = np.empty(0, np.int32)
        self._time_us: I64 = np.empty(0, np.int64)
        self._value: npt.NDArray[np.float64] = np.empty(0, np.float64)

    def offer(self, batch: Batch) -> None:
        """Take samples that are to be judged, in order of time, none earlier than those before."""
        self.intake.accept(batch)
        inputs, time_us, value = self.intake.drained()
        self._inputs = np.concatenate((self._inputs, inputs))
        self._time_us = np.concatenate((self._time_us, time_us))
        self._value = np.concatenate((self._value, value))

    def next_tick(self, before_us: int) -> int | None:
        """Time of the next tick at or before `before_us`, up to which every sample has been offered."""
        intake, step = self.intake, self.step_us
        first, last = int(intake.first_us[0]), int(intake.tick_us[0])
        if first == NEVER:
            return None
        following = (last if last > NEVER else first // step * step) + step
        if last > NEVER and following - int(intake.data_us[0]) > IDLE_S * US:
            if not len(self._time_us) or self._time_us[0] >= before_us:
                return None  # idle: the next tick is the one after the next sample
            following = max(following, int(self._time_us[0]) // step * step + step)
        return following if following <= before_us else None

    def portion(self, at_us: int) -> Portion:
        """Close the tick at `at_us` (from `next_tick`) and return its samples."""
        inputs, time_us, value = self.columns(at_us)
        portion = portion_of(at_us, np.ones(1, bool), inputs, time_us, value)
        self.drop(len(inputs))
        self.intake.close(portion)
        return portion

    def columns(self, before_us: int) -> Columns:
        """Samples earlier than `before_us` that wait; they go on waiting."""
        end = int(np.searchsorted(self._time_us, before_us))
        return self._inputs[:end], self._time_us[:end], self._value[:end]

    def drop(self, count: int) -> None:
        """The first `count` samples have been judged."""
        self._inputs, self._time_us = self._inputs[count:], self._time_us[count:]
        self._value = self._value[count:]
