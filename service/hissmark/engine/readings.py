"""What a closed tick says: readings of every channel, the group's explanation, journal entries."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import JournalEntry
from hissmark.judge.trend import Trend

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Tick:
    """One closed tick of some groups. All arrays run over *all* channels (or groups) of the layout; only
    the rows of `groups` (and of their channels, `channels`) belong to this tick.

    Attributes:
        at_us: the tick's event time: it has judged every sample before it.
        groups: int32[k], indices of the groups that closed.
        channels: int32[m], indices of their channels, in pipe order.
        level_db: float32[m] floor (L90) of the window; NaN without data. Likewise `l50_db`, `l10_db`.
        baseline_db: float32[m] learned background in the present operating condition; NaN while unknown.
        scale_db: float32[m] its robust standard deviation.
        rise_db: float32[m] level minus baseline.
        leak_db: float32[m] leak-only level (energy subtraction); NaN where less than 3 dB stand out.
        expected_db: float32[m] level that the best explanation expects.
        verdict, reason: uint8[m] `Verdict` and `Reason` codes (of a reference point: how it is used).
        health: uint8[m] `SensorHealth`. baseline_state: uint8[m] `BaselineState`.
        open_: uint8[m] 0 closed, 1 open, 2 position not known. difference_bar: float32[m], NaN if unknown.
        steady: uint8[m]. last_us: int64[m] time of the last sample, 0 if none. interval_s: float32[m].
        explanation: uint8[k] `Explanation` of the group.
        source: int32[k] channel index of the source, -1 if none. second: the second source or -1.
        margin_db: float32[k] how far the explanation stands above the next. odds: float32[k] the same as
            natural log of a likelihood ratio. next_explanation: uint8[k], next_source: int32[k].
        trends: of passing valves, by channel, once known.
        changed: int32[j] channels of valves whose verdict is not the one of their last tick.
        entries: journal entries in canonical order.
    """

    at_us: int
    groups: npt.NDArray[np.int32]
    channels: npt.NDArray[np.int32]
    level_db: F32
    l50_db: F32
    l10_db: F32
    baseline_db: F32
    scale_db: F32
    rise_db: F32
    leak_db: F32
    expected_db: F32
    verdict: U8
    reason: U8
    health: U8
    baseline_state: U8
    open_: U8
    difference_bar: F32
    steady: U8
    last_us: npt.NDArray[np.int64]
    interval_s: F32
    explanation: U8
    source: npt.NDArray[np.int32]
    second: npt.NDArray[np.int32]
    margin_db: F32
    odds: F32
    next_explanation: U8
    next_source: npt.NDArray[np.int32]
    changed: npt.NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    entries: tuple[JournalEntry, ...] = ()
    trends: dict[int, Trend] = field(default_factory=dict)
