"""The leak-only level of a valve at a past moment, from the history."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.signal.levels import leak_only
from hissmark.store.reader import Reader
from hissmark.worth.prediction import LEVEL_SD_DB, level_error_db
from hissmark.worth.trace import Step

US = 1_000_000
AROUND_US = 15 * 60 * US
"""Ticks within a quarter of an hour either side count."""
FEWEST_TICKS = 3


class NoLevelError(ValueError):
    """The history has no level of a leak at that moment; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class LevelThen:
    """Leak-only level with its standard deviation, dB, and the pressure difference if it was known."""

    level_db: float
    sd_db: float
    difference_bar: float | None
    steps: tuple[Step, ...]


def level_then(reader: Reader, channel: Channel, at_us: int, around_us: int = AROUND_US) -> LevelThen:
    """Median over the ticks around a moment. Raises NoLevelError."""
    history = reader.history(channel.group, channel.name, at_us - around_us, at_us + around_us)
    known = np.isfinite(history.level_db) & np.isfinite(history.baseline_db)
    minutes = around_us // (60 * US)
    if int(known.sum()) < FEWEST_TICKS:
        raise NoLevelError(
            f"Within {minutes} minutes of that moment the history has {int(known.sum())} levels with a "
            "background. "
            "Give another moment, or the leak-only level itself."
        )
    levels, backgrounds = history.level_db[known].astype(float), history.baseline_db[known].astype(float)
    level, background = float(np.median(levels)), float(np.median(backgrounds))
    leak, resolvable = leak_only(level, background)
    elsewhere = np.isin(history.verdict[known], (Verdict.SPILL, Verdict.OUTSIDE_NOISE))
    if float(elsewhere.mean()) > 0.5:
        raise NoLevelError(
            "At that moment the valve was not the source of what its sensor heard (spill, or outside noise): "
            "its level says nothing of its own leak. Give another moment, or the leak-only level itself."
        )
    if not bool(resolvable):
        raise NoLevelError(
            f"At that moment {level - background:.1f} dB stood out of the background: less than 3 dB are "
            "no leak "
            "to calibrate with."
        )
    spread = 1.4826 * float(np.median(np.abs(levels - level)))
    own = float(level_error_db(np.array([level - background]), np.array([0.5]))[0])
    sd = math.hypot(own, max(0.0, spread - LEVEL_SD_DB))
    bars = history.difference_bar[known]
    bars = bars[np.isfinite(bars)]
    how = (
        f"median of {int(known.sum())} ticks within {minutes} min; background {background:.1f} dB taken "
        "off as power"
    )
    step = Step("level of the leak alone", f"{float(leak):.1f} ± {2 * sd:.1f} dB", how)
    return LevelThen(float(leak), sd, float(np.median(bars)) if len(bars) else None, (step,))
