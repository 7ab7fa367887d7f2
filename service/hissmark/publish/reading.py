"""One closed tick turned into the JSON reading of each of its groups."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Channel
from hissmark.judge.trend import Trend
from hissmark.judge.verdicts import BaselineState, Explanation, Labelled, Reason, SensorHealth, Verdict
from hissmark.publish.sentences import REASON_SENTENCES, explanation_sentence
from hissmark.publish.shapes import ChannelReading, GroupReading, LiveReading, TrendReading
from hissmark.publish.times import rfc3339, rfc3339_or_none

_DECIBELS = ("level_db", "l50_db", "l10_db", "baseline_db", "scale_db", "rise_db", "leak_db", "expected_db")
_OPEN = (False, True, None)
NOT_ON_RECORD = "not on record"


def readings_of(layout: Layout, tick: Tick) -> Iterator[GroupReading]:
    """The reading of every group that the tick closed."""
    for group in tick.groups.tolist():
        yield group_reading(layout, tick, group)


def group_reading(layout: Layout, tick: Tick, k: int) -> GroupReading:
    """The reading of one group that the tick closed; `k` is its index in the layout."""
    first = int(layout.first[k])
    members = range(first, first + int(layout.count[k]))
    reading: GroupReading = {
        "group": layout.group_names[k],
        "at": rfc3339(tick.at_us),
        "explanation": {
            "kind": text_of(Explanation, tick.explanation[k]),
            "source": _subject(layout, tick.source[k]),
            "second": _subject(layout, tick.second[k]),
            "margin_db": number(tick.margin_db[k]),
            "odds": number(tick.odds[k]),
            "sentence": "",
        },
        "next_explanation": {
            "kind": text_of(Explanation, tick.next_explanation[k]),
            "source": _subject(layout, tick.next_source[k]),
        },
        "channels": _channels(layout, tick, members),
    }
    reading["explanation"]["sentence"] = explanation_sentence(reading)
    return reading


def live_reading(reading: GroupReading, newest_us: int, fresh: bool, now_us: int) -> LiveReading:
    """Add to a reading what depends on the moment it is asked for."""
    return {
        **reading,
        "fresh": fresh,
        "last_heard": rfc3339_or_none(newest_us),
        "now": rfc3339(now_us),
    }


def number(value: Any) -> float | None:
    """A finite number rounded to 2 decimals (a hundredth of a decibel); None for NaN and infinities."""
    plain = float(value)
    return round(plain, 2) if np.isfinite(plain) else None


def trend_reading(trend: Trend | None) -> TrendReading | None:
    """How a leak grows, once it is known."""
    if trend is None:
        return None
    return {
        "db_per_day": round(trend.db_per_day, 2),
        "low": round(trend.low, 2),
        "high": round(trend.high, 2),
        "span_h": round(trend.span_s / 3600, 1),
        "next_severity": trend.severity,
        "days": None if trend.days is None else round(trend.days, 1),
        "earliest_days": None if trend.earliest_days is None else round(trend.earliest_days, 1),
    }


def text_of(kind: type[Labelled], code: Any) -> str:
    """The text of a code; `NOT_ON_RECORD` for one that an older version did not keep."""
    number_ = int(code)
    return kind(number_).text if number_ in set(kind) else NOT_ON_RECORD


def basis_of(channel: Channel) -> str:
    """On what a valve is judged: its sound alone, or with position and pressures."""
    if channel.kind == "reference":
        return "sound"
    with_position = channel.closed_when is not None
    with_pressure = bool(channel.upstream_pressure and channel.downstream_pressure)
    if with_position and with_pressure:
        return "sound, position and pressure"
    if with_position:
        return "sound and position"
    return "sound and pressure" if with_pressure else "sound alone"


def _subject(layout: Layout, index: Any) -> str | None:
    return layout.channels[int(index)].subject if int(index) >= 0 else None


def _channels(layout: Layout, tick: Tick, members: range) -> list[ChannelReading]:
    rows = [layout.channels[i] for i in members]
    return [_channel(c, tick, i, d) for c, i, d in zip(rows, members, distances_m(rows), strict=True)]


def distances_m(rows: Sequence[Channel]) -> list[float | None]:
    """Metres from the start of the group; None from the first gap in the register onwards."""
    found: list[float | None] = []
    travelled: float | None = 0.0
    for i, channel in enumerate(rows):
        if i:
            known = travelled is not None and channel.distance_m is not None
            travelled = round((travelled or 0.0) + (channel.distance_m or 0.0), 2) if known else None
        found.append(travelled)
    return found


def _channel(channel: Channel, tick: Tick, i: int, distance_m: float | None) -> ChannelReading:
    reason = Reason(int(tick.reason[i]))
    levels: dict[str, float | None] = {name: number(getattr(tick, name)[i]) for name in _DECIBELS}
    row: dict[str, Any] = {
        "channel": channel.name,
        "kind": channel.kind,
        "valve": channel.valve,
        "position": channel.position,
        "distance_m": distance_m,
        **levels,
        "verdict": Verdict(int(tick.verdict[i])).text,
        "reason": reason.text,
        "reason_sentence": REASON_SENTENCES[reason],
        "baseline_state": text_of(BaselineState, tick.baseline_state[i]),
        "health": text_of(SensorHealth, tick.health[i]),
        "open": _OPEN[min(int(tick.open_[i]), 2)],
        "difference_bar": number(tick.difference_bar[i]),
        "steady": int(tick.steady[i]) == 1,
        "last_heard": rfc3339_or_none(int(tick.last_us[i])),
        "interval_s": number(tick.interval_s[i]),
        "basis": basis_of(channel),
        "trend": trend_reading(tick.trends.get(i)),
    }
    return row  # type: ignore[return-value]
