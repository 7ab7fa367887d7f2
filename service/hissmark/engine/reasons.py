"""The reason of a journal entry, as one plain sentence with numbers and units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import AlarmKind
from hissmark.engine.retested import ended_text
from hissmark.judge.group import Groups
from hissmark.judge.trend import Trend
from hissmark.judge.verdicts import Explanation, SensorHealth, Verdict

if TYPE_CHECKING:
    from hissmark.engine.state import State

_NEXT = {
    Explanation.NOTHING: "that nothing leaks",
    Explanation.EVEN_SHIFT: "an even shift of the group",
    Explanation.OUTSIDE_NOISE: "noise from outside",
    Explanation.OPEN_VALVE: "an open valve nearby",
    Explanation.UNEXPLAINED: "none of those known",
}


def reason_text(
    state: State,
    kind: AlarmKind,
    c: int,
    verdict: npt.NDArray[np.uint8],
    rise_db: npt.NDArray[np.float32],
    margin_db: npt.NDArray[np.float32],
    groups: Groups,
    trend: Trend | None,
    limit_db: float,
) -> str:
    """Why the alarm of `kind` on channel `c` changes at this tick. `limit_db`: rise that counts as a leak."""
    if kind is AlarmKind.SENSOR_FAULT:
        health = SensorHealth(int(state.health.code[c]))
        return (
            "the sensor is heard as before" if health is SensorHealth.WELL else f"the sensor is {health.text}"
        )
    g = int(state.layout.group_of[c])
    heard = f"{rise_db[c]:.1f} dB over its background"
    if kind is AlarmKind.CONTESTED:
        if verdict[c] == Verdict.CONTESTED:
            return f"{heard}, and two explanations are too close to call: {_rivals(state, c, g, groups)}"
        return "the explanations are no longer close"
    if verdict[c] == Verdict.PASSING:
        margin = _margin_text(float(margin_db[c]))
        growth = f"; {trend_text(trend)}" if trend is not None and trend.grows else ""
        return f"{heard}{margin}; next: {_next(state, g, groups)}{growth}"
    by_settings = ended_text(state, c, limit_db)
    if by_settings is not None:
        return f"{heard}; {by_settings}"
    return f"back to {rise_db[c]:+.1f} dB of its background"


def _margin_text(margin_db: float) -> str:
    """How far the source stands above the next; one that is not the loudest is blamed for the whole fit."""
    if not np.isfinite(margin_db):
        return ""
    if margin_db < 0:
        return f", {-margin_db:.1f} dB below the loudest of its group, but it fits the whole group best"
    return f", {margin_db:.1f} dB above the next explanation"


def trend_text(trend: Trend) -> str:
    """``growing by 1.2 dB a day (0.8 to 1.6), severe in about 5 days``."""
    rate = f"{abs(trend.db_per_day):.1f} dB a day ({trend.low:.1f} to {trend.high:.1f})"
    if not trend.grows:
        return f"falling by {rate}" if trend.high < 0 else f"neither growing nor falling for sure: {rate}"
    if trend.severity is None or trend.days is None:
        return f"growing by {rate}"
    when = f"{trend.days:.0f} days" if trend.days >= 1.5 else f"{24 * trend.days:.0f} hours"
    return f"growing by {rate}, {trend.severity} in about {when}"


def _next(state: State, g: int, groups: Groups) -> str:
    explanation, place = Explanation(int(groups.next_explanation[g])), int(groups.next_source[g])
    if explanation in (Explanation.ONE_PASSING, Explanation.TWO_PASSING) and place >= 0:
        return f"{state.layout.channels[place].subject} passing"
    return _NEXT.get(explanation, explanation.text)


def _rivals(state: State, c: int, g: int, groups: Groups) -> str:
    explanation = Explanation(int(groups.explanation[g]))
    source = int(groups.source[g])
    best = f"{state.layout.channels[source].subject} passing" if source >= 0 else _NEXT.get(explanation, "")
    return f"{best} or {_next(state, g, groups)}"
