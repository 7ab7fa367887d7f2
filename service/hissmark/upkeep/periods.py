"""A baseline worked out from a period of the history: what the channel heard while all was well."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hissmark.baseline.robust import row_mad
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store.history import ChannelHistory

FEWEST_TICKS = 30
NEAR_DB = 3.0
"""A tick belongs to the condition whose baseline it was judged by, known to within so much."""


class PeriodError(ValueError):
    """A period from which no baseline can be taken; the message says why."""


@dataclass(frozen=True, slots=True)
class Found:
    """Median and scale (dB) of the floors of `ticks` ticks that could be judged, of `of` in the period."""

    value_db: float
    scale_db: float
    ticks: int
    of: int


def baseline_in(parts: Iterable[ChannelHistory], present_db: float | None, several: bool) -> Found:
    """Median and scale over the ticks of a period that were steady and under test conditions.

    Args:
        present_db: the present baseline of the condition, None if it has none.
        several: whether the channel knows several conditions: then only ticks judged by this one count.

    Raises PeriodError if there are too few.
    """
    levels, count = [], 0
    for part in parts:
        count += len(part)
        levels.append(part.level_db[_fit(part, present_db, several)])
    floors = np.concatenate(levels) if levels else np.empty(0, np.float32)
    if len(floors) < FEWEST_TICKS:
        raise PeriodError(
            f"Of {count} ticks on record in this period {len(floors)} were steady and under test conditions; "
            f"{FEWEST_TICKS} are needed. Choose another or a longer one."
        )
    value, scale = row_mad(floors[None, :].astype(np.float32))
    return Found(round(float(value[0]), 3), round(float(scale[0]), 3), len(floors), count)


def _fit(
    part: ChannelHistory, present_db: float | None, several: bool
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    testable = part.verdict != int(Verdict.NOT_TESTABLE)
    learning = (part.verdict == int(Verdict.NOT_TESTABLE)) & (part.reason == int(Reason.BASELINE_LEARNING))
    fit = (testable & (part.verdict != int(Verdict.UNSETTLED))) | learning
    fit &= ~np.isnan(part.level_db)
    if several and present_db is not None:
        with np.errstate(invalid="ignore"):
            fit &= np.abs(part.baseline_db - present_db) < NEAR_DB
    return np.asarray(fit, bool)
