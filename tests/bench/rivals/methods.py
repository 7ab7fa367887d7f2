"""The comparison methods. Each has the tuning a careful user of it would choose; it is stated in `TUNING`."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import ruptures
from river import drift

from .floors import F64, Bools, Floors, Spans, alarms_of

RISE_DB = 6.0
CLEAR_DB = 3.0

TUNING = {
    "fixed threshold": "rise over the learning median > 6 dB for 30 min",
    "highest rise": "largest rise of the group > 6 dB for 30 min",
    "CUSUM": "per channel, k = 3 dB, h = 12 dB, steps clipped at 10 dB",
    "ruptures": "KernelCPD linear (PELT), penalty 60 scale^2 ln n, min 1 h; segment > 6 dB; sees the future",
    "river": "Page-Hinkley per channel on the rise, delta 1 dB, threshold 12 dB; while 1 h median > 6 dB",
}


def fixed_threshold(floors: Floors) -> Spans:
    """Every channel for itself."""
    return alarms_of(_hysteresis(floors.rise_db), floors, 3, 3)


def highest_rise(floors: Floors) -> Spans:
    """The plain survey rule: of the usable valves, the one with the highest rise."""
    rise = np.where(floors.usable & floors.valve, floors.rise_db, -np.inf)
    first = rise == rise.max(axis=1, keepdims=True)
    return alarms_of(first & (rise > RISE_DB), floors, 3, 3)


def cusum(floors: Floors) -> Spans:
    """One-sided CUSUM, capped so that it comes down again once the rise is gone."""
    k, h = 3.0, 12.0
    step = np.clip(np.where(floors.usable, floors.rise_db, 0.0) - k, -10.0 - k, 10.0 - k)
    step[: floors.learned] = 0.0
    score = np.zeros_like(step)
    now = np.zeros(step.shape[1])
    for i, one in enumerate(step):
        now = np.clip(now + np.where(floors.usable[i], one, 0.0), 0.0, 2 * h)
        score[i] = now
    return alarms_of(score > h, floors, 1, 3)


def change_points(floors: Floors) -> Spans:
    """`ruptures` over the whole series of each channel, in hindsight; raised an hour into a high segment."""
    high = np.zeros_like(floors.usable)
    least = 6
    for c in np.flatnonzero(floors.valve):
        use = np.flatnonzero(floors.usable[:, c])
        if len(use) < 4 * least:
            continue
        series = floors.rise_db[use, c]
        penalty = 60.0 * float(floors.scale_db[c]) ** 2 * np.log(len(use))
        ends = ruptures.KernelCPD(kernel="linear", min_size=least).fit(series).predict(pen=penalty)
        for a, b in zip([0, *ends[:-1]], ends, strict=True):
            high[use[a:b], c] = series[a:b].mean() > RISE_DB
    return alarms_of(high, floors, least, 1)


def page_hinkley(floors: Floors) -> Spans:
    """`river`'s Page-Hinkley test tells when, the hour's median tells whether it is high."""
    active = np.zeros_like(floors.usable)
    for c in np.flatnonzero(floors.valve):
        use = np.flatnonzero(floors.usable[:, c])
        active[use, c] = _page_hinkley(floors.rise_db[use, c])
    return alarms_of(active, floors, 1, 3)


def _page_hinkley(rise: F64) -> Bools:
    test = drift.PageHinkley(min_instances=12, delta=1.0, threshold=12.0, mode="up")
    out = np.zeros(len(rise), np.bool_)
    on, waiting = False, 0
    for i, value in enumerate(np.clip(rise, -10.0, 10.0).tolist()):
        test.update(value)
        waiting = 6 if test.drift_detected else max(waiting - 1, 0)
        middle = float(np.median(rise[max(i - 5, 0) : i + 1])) if on or waiting else 0.0
        on = (on and middle > CLEAR_DB) or (waiting > 0 and middle > RISE_DB)
        out[i] = on
    return out


def _hysteresis(rise: F64) -> Bools:
    """Above the upper limit, until below the lower one."""
    state = np.where(rise > RISE_DB, 1, np.where(rise < CLEAR_DB, -1, 0))
    last = np.maximum.accumulate(np.where(state != 0, np.arange(len(state))[:, None], 0), axis=0)
    return np.take_along_axis(state, last, axis=0) > 0


RIVALS: dict[str, Callable[[Floors], Spans]] = {
    "fixed threshold": fixed_threshold,
    "highest rise": highest_rise,
    "CUSUM": cusum,
    "ruptures": change_points,
    "river": page_hinkley,
}
