"""How the rise of a passing valve changes: the median slope between hours (Theil and Sen), dB a day."""

from __future__ import annotations

import numpy as np

from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.store.blocks import HOUR_US
from hissmark.store.history import decoded
from hissmark.store.reader import Reader

DAY_US = 24 * HOUR_US
MOST_US = 7 * DAY_US
LEAST_HOURS = 6
"""With fewer hours of passing a slope says more about the hour than about the leak."""


def trend_db_per_day(reader: Reader, channel: Channel, until_us: int) -> float | None:
    """From the hours of the last week in which the valve was called passing; None if these are too few."""
    hours, rises = [], []
    for block in decoded(reader.blocks(channel.group, until_us - MOST_US, until_us), []):
        if channel.name not in block.channels:
            continue
        i = block.channels.index(channel.name)
        rows = (block.verdict[:, i] == Verdict.PASSING) & np.isfinite(block.rise_db[:, i])
        if rows.sum() * 2 >= len(block) and len(block):
            hours.append(float(block.time_us[0]) / DAY_US)
            rises.append(float(np.median(block.rise_db[rows, i])))
    if len(hours) < LEAST_HOURS:
        return None
    from scipy.stats import theilslopes  # takes a fifth of the service's start to load, and is seldom wanted

    return round(float(theilslopes(rises, hours)[0]), 3)
