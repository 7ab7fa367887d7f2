"""The story of an invented reading: what the engine would tell of a scene that was made by hand."""

from __future__ import annotations

import math

from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.telling import Background, Gathered, Limit, Score, Story, Test, Voice
from hissmark.engine.wants import wants_of
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, SensorHealth, Verdict

_NAMING = (Explanation.ONE_PASSING, Explanation.TWO_PASSING, Explanation.OPEN_VALVE)
_BEHIND = {Explanation.NOTHING: 46.0, Explanation.EVEN_SHIFT: 31.5, Explanation.OUTSIDE_NOISE: 24.2}


def story_of(layout: Layout, tick: Tick, channel: int) -> Story:
    """Voices from the tick, explanations from the scene's best and next, the wants by the program."""
    group = int(layout.group_of[channel])
    first = int(layout.first[group])
    members = range(first, first + int(layout.count[group]))
    voices = tuple(_voice(layout, tick, i) for i in members)
    own = voices[channel - first]
    background = Background(
        BaselineState.TRACKING, 0, 1, None, None, True, own.baseline_db, own.scale_db, own.baseline_db, 0.0,
        212, 200, tick.at_us - 30 * 86_400_000_000, 144_000,
    )  # fmt: skip
    margin = _known(tick.margin_db[group])
    limit_db = layout.settings.judge.rise_limit_db
    passing = own.verdict is Verdict.PASSING
    evidence = Gathered(
        1.9, 9.4 if passing else -2.1, 1.2, 10.6 if passing else -0.9, 5.0, 740.0, margin, 2.8, None, passing
    )
    scores = _scores(layout, tick, group, tuple(v.residual_db for v in voices))
    wants = wants_of(
        layout.settings, layout.channels[channel], tick.at_us, voices, scores, background, evidence,
        Test(difference_bar=_known(tick.difference_bar[channel])),
    )  # fmt: skip
    return Story(
        tick.at_us, layout.group_names[group], own.channel, own.subject, own.verdict, own.reason, voices,
        background, scores, evidence, wants, Limit(limit_db, limit_db, 0.1, 0.4),
    )  # fmt: skip


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _voice(layout: Layout, tick: Tick, i: int) -> Voice:
    c, level, expected = layout.channels[i], _known(tick.level_db[i]), _known(tick.expected_db[i])
    residual = level - expected if level is not None and expected is not None else None
    return Voice(
        c.name, c.subject, c.kind == "valve", level, _known(tick.baseline_db[i]), _known(tick.scale_db[i]),
        _known(tick.rise_db[i]), _known(tick.leak_db[i]), expected, residual, level is not None,
        Verdict(int(tick.verdict[i])), Reason(int(tick.reason[i])), SensorHealth(int(tick.health[i])),
    )  # fmt: skip


def _scores(
    layout: Layout, tick: Tick, group: int, residual_db: tuple[float | None, ...]
) -> tuple[Score, ...]:
    def named(kind: Explanation, place: int) -> str | None:
        return layout.channels[place].subject if kind in _NAMING and place >= 0 else None

    best, following = (
        Explanation(int(tick.explanation[group])),
        Explanation(int(tick.next_explanation[group])),
    )
    source, second = int(tick.source[group]), int(tick.second[group])
    odds = _known(tick.odds[group]) or 12.0
    found = [Score(best, named(best, source), named(best, second), None, 0.0, 0.0, residual_db)]
    after = named(following, int(tick.next_source[group]))
    if (following, after) != (best, found[0].source):
        found.append(Score(following, after, None, None, -odds, odds, residual_db))
    there = {score.explanation for score in found}
    found += [Score(k, None, None, None, -b, b, residual_db) for k, b in _BEHIND.items() if k not in there]
    return tuple(sorted(found, key=lambda score: score.behind))
