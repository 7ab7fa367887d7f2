"""A channel's ticks summed up by periods of time: how loud, how much over the background, what was said.

Pure functions over pandas frames. A period holds the ticks with ``start <= time < end``; periods begin at
UTC midnight (weeks on Monday) and at every multiple of their length from there. Of each period:

* ``ticks``: how many there are. A period without a tick is left out, not given as quiet.
* ``mean_db``: energy mean of the level; ``min_db``, ``max_db``: its lowest and highest. The level of a tick
  is its floor, the L90 of the tick's window.
* ``l90_db``, ``l50_db``, ``l10_db``: exceeded by 90 % of the ticks' floors, by half of their middles (L50),
  by 10 % of their tops (L10). Windows of neighbouring ticks overlap, so these are percentiles of what the
  ticks say, not of single samples.
* ``rise_mean_db``, ``rise_max_db``: arithmetic mean and maximum of the rise, where there is a baseline.
* ``share_...``: share of the ticks with each verdict, 0 to 1. Ticks are evenly spaced, so this is the share
  of the time that was judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from hissmark.judge.verdicts import Verdict
from hissmark.publish.times import PERIODS_FROM_US, period_start_us
from hissmark.signal.levels import level_of_power, power_of_level
from hissmark.store.blocks import UNKNOWN_CODE
from hissmark.store.history import ChannelHistory

SHARES = {verdict: f"share_{verdict.name.lower()}" for verdict in Verdict}
LEVELS = ("mean_db", "l90_db", "l50_db", "l10_db", "min_db", "max_db", "rise_mean_db", "rise_max_db")
COLUMNS = ("start", "end", "ticks", *LEVELS, *SHARES.values())
"""Of what goes out, in this order; `start` and `end` are RFC 3339."""

_HEARD = ("level_db", "l50_db", "l10_db", "rise_db")
_LONGEST_GAP = 100
"""Periods. Ticks further apart are resampled apart, so that years of silence make no empty rows."""


def by_period(history: Iterable[ChannelHistory], every_us: int) -> Iterator[pd.DataFrame]:
    """Summaries of the whole periods that each part of a history completes; parts ascend by time.

    Holds no more than the ticks of one period and one part.
    """
    held: list[pd.DataFrame] = []
    for part in history:
        ticks = ticks_of(part)
        if not len(ticks):
            continue
        open_us = period_start_us(int(_us(ticks)[-1]), every_us)
        done = int(np.searchsorted(_us(ticks), open_us))
        if held and _us(held[0])[0] < open_us:
            yield summarise(pd.concat([*held, ticks.iloc[:done]]), every_us)
            held = []
        elif done:
            yield summarise(ticks.iloc[:done], every_us)
        held.append(ticks.iloc[done:])
    if held:
        yield summarise(pd.concat(held), every_us)


def ticks_of(history: ChannelHistory) -> pd.DataFrame:
    """One row a tick by its time: levels and rise (float64, dB, NaN where unknown) and the verdict's code."""
    judged = history.verdict != UNKNOWN_CODE
    time = pd.DatetimeIndex(history.time_us[judged].astype("datetime64[us]"), tz="UTC", name="time")
    columns = {name: getattr(history, name)[judged].astype(np.float64) for name in _HEARD}
    return pd.DataFrame({**columns, "verdict": history.verdict[judged]}, index=time)


def summarise(ticks: pd.DataFrame, every_us: int) -> pd.DataFrame:
    """The periods of length `every_us` that hold any of `ticks` (from `ticks_of`), by their start."""
    cuts = np.flatnonzero(np.diff(_us(ticks)) > _LONGEST_GAP * every_us) + 1
    pieces = [ticks.iloc[a:b] for a, b in pairwise([0, *cuts.tolist(), len(ticks)])]
    return pd.concat([_resampled(piece, every_us) for piece in pieces])


def _resampled(ticks: pd.DataFrame, every_us: int) -> pd.DataFrame:
    shares = {name: ticks["verdict"] == int(verdict) for verdict, name in SHARES.items()}
    power = power_of_level(ticks["level_db"].to_numpy())
    columns = ticks.assign(power=power, **shares)
    by = columns.resample(
        pd.Timedelta(every_us, "us"), origin=pd.Timestamp(PERIODS_FROM_US, unit="us", tz="UTC")
    )
    made = pd.DataFrame(
        {
            "ticks": by.size(),
            "mean_db": level_of_power(by["power"].mean().to_numpy()),
            "l90_db": by["level_db"].quantile(0.1),
            "l50_db": by["l50_db"].quantile(0.5),
            "l10_db": by["l10_db"].quantile(0.9),
            "min_db": by["level_db"].min(),
            "max_db": by["level_db"].max(),
            "rise_mean_db": by["rise_db"].mean(),
            "rise_max_db": by["rise_db"].max(),
            **{name: by[name].mean() for name in SHARES.values()},
        }
    )
    return made[made["ticks"] > 0]


def to_go_out(summary: pd.DataFrame, every_us: int) -> pd.DataFrame:
    """`COLUMNS` as they go out: times as text, a hundredth of a decibel, NaN for what is not known."""
    start_us = _us(summary)
    made = pd.DataFrame({"start": _texts(start_us), "end": _texts(start_us + every_us)})
    for name in COLUMNS[2:]:
        values = summary[name].to_numpy()
        places = 2 if name in LEVELS else 4
        made[name] = (
            values if name == "ticks" else np.where(np.isfinite(values), values.round(places), np.nan)
        )
    return made


def rows_of(ready: pd.DataFrame) -> list[dict[str, Any]]:
    """Of `to_go_out`, as plain values for JSON: None for what is not known."""
    columns = {name: ready[name].tolist() for name in COLUMNS}
    return [
        {name: None if value != value else value for name, value in zip(columns, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def csv_of(ready: pd.DataFrame, *, head: bool = True, line_end: str = "\n") -> str:
    """Of `to_go_out`, as comma-separated values; an empty field for what is not known."""
    return ready.to_csv(index=False, header=head, lineterminator=line_end)


def period_starts_us(summary: pd.DataFrame) -> npt.NDArray[np.int64]:
    """int64[rows]: when each period begins."""
    return _us(summary)


def _us(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
    """int64[rows]: the index as microseconds since 1970 UTC."""
    return pd.DatetimeIndex(frame.index).as_unit("us").asi8


def _texts(time_us: npt.NDArray[np.int64]) -> list[str]:
    texts: list[str] = np.datetime_as_string(time_us.astype("datetime64[us]"), unit="s").tolist()
    return [text + "Z" for text in texts]
