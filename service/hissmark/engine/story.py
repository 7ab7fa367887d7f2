"""The story of a verdict in numbers: what was heard, against what, which explanations were compared.

`tell` reads a living engine and changes nothing; `tell_recorded` does the same for a tick of which only the
history is left: levels, backgrounds and verdicts as they were, everything else as the engine has it now.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.engine import Engine
from hissmark.engine.growing import trend_of
from hissmark.engine.intake import NEVER, US
from hissmark.engine.known_baselines import condition_name
from hissmark.engine.measuring import fewest_slots
from hissmark.engine.moving import turning
from hissmark.engine.register import Channel
from hissmark.engine.standing import rise_limits, wanted_odds
from hissmark.engine.step import Look
from hissmark.engine.telling import Background, Gathered, Limit, Note, NoteKind, Score, Story, Test, Voice
from hissmark.engine.testable import drowned, sound_of
from hissmark.engine.tuned import with_values
from hissmark.engine.wants import wants_of
from hissmark.judge.explain import FIRST_END, Fit, expected_level
from hissmark.judge.group import PRICE_COINCIDENCE, Channels, scored
from hissmark.judge.heard import IMPOSSIBLE, Heard
from hissmark.judge.noiselimit import correlation
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, SensorHealth, Verdict
from hissmark.signal.levels import leak_only

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

PEAKS_DB = 3.0
"""Beyond its usual spread by this much, something comes and goes at a channel."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """One tick of one group as the history has it; arrays over its channels in pipe order, NaN unknown.

    `health` and `baseline_state` are codes; one that is no member of its vocabulary is not on record.
    """

    at_us: int
    level_db: F32
    baseline_db: F32
    scale_db: F32
    verdict: U8
    reason: U8
    health: U8
    baseline_state: U8
    difference_bar: F32
    l10_db: F32


class _Tick(NamedTuple):
    """What both ways of telling have in common; arrays over the channels of the group."""

    at_us: int
    level: F32
    high: F32
    baseline: F32
    scale: F32
    verdict: U8
    reason: U8
    health: U8
    mode: int
    heard: Heard
    found: Fit


def tell(engine: Engine, channel: int) -> Story | None:
    """The story of a channel at the last tick of its group; None before the first."""
    step = engine.stepper
    group = int(engine.layout.group_of[channel])
    if engine.intake.tick_us[group] <= NEVER:
        return None
    look = step.look(group, engine.intake)
    rows = _rows(engine, group)
    tick = _Tick(
        look.at_us, look.signal.levels.low[rows], look.signal.levels.high[rows], look.baseline[rows],
        look.scale[rows],
        look.verdict[rows], look.reason[rows], step.health.code[rows], look.mode, look.heard, look.found,
    )  # fmt: skip
    evidence = _gathered(engine, channel, look)
    trend = trend_of(step, channel, float(look.rise[channel]))
    calm = step.is_calm(group, look)
    background = _background(engine, channel, look.mode, calm)
    story = _story(engine, channel, tick, background, evidence, _test(engine, channel, look))
    return replace(story, trend=trend, notes=(*story.notes, *_notes_of_state(engine, channel, look)))


def tell_recorded(engine: Engine, channel: int, recorded: Recorded) -> Story:
    """The story of a channel at a past tick, from what the history has of it."""
    step = engine.stepper
    group = int(engine.layout.group_of[channel])
    rows, count = _rows(engine, group), len(engine.layout.channels)
    mode = _mode_of(engine, rows, recorded.baseline_db)
    level, value = np.full(count, np.nan, np.float32), step.baselines.value.copy()
    level[rows], value[rows, mode] = recorded.level_db, recorded.baseline_db
    scale = np.where(np.isnan(step.baselines.scale), 1.0, step.baselines.scale).astype(np.float32)
    scale[rows, mode] = np.where(np.isnan(recorded.scale_db), scale[rows, mode], recorded.scale_db)
    sound, may_pass, known = (np.zeros(count, bool) for _ in range(3))
    deaf = (Reason.NO_FRESH_DATA, Reason.SENSOR_FAULT, Reason.TOO_FEW_SAMPLES, Reason.BASELINE_LEARNING)
    untested = (*deaf, Reason.LEVEL_NOT_STEADY, Reason.LEVEL_DRIFTING)
    sound[rows] = ~np.isin(recorded.reason, deaf)
    may_pass[rows] = ~np.isin(recorded.reason, untested) & (recorded.verdict != Verdict.NOT_TESTABLE)
    known[rows] = np.isin(recorded.reason, (Reason.OPEN, Reason.JUST_STROKED))
    channels = Channels(
        level, np.zeros(count, np.float32), value, scale, sound, may_pass & step.valve,
        np.zeros(count, bool), known, np.ones(count, np.float32), np.zeros(count, bool),
        np.zeros(count, bool), np.full(count, np.nan, np.float32), np.zeros(count, bool),
        np.zeros(count, bool), step.valve,
        np.zeros(count, np.float32),
    )  # fmt: skip
    heard, found = scored(step.geometry, step.acoustics, step.ceilings, channels, group, mode, mode)
    tick = _Tick(
        recorded.at_us, recorded.level_db, recorded.l10_db, recorded.baseline_db, scale[rows, mode],
        recorded.verdict, recorded.reason,
        np.where(recorded.health <= max(SensorHealth), recorded.health, SensorHealth.WELL), mode, heard,
        found,
    )  # fmt: skip
    own = channel - rows.start
    background = _as_recorded(_background(engine, channel, mode, True), recorded, own)
    test = Test(
        difference_bar=_known(recorded.difference_bar[own]),
        spread_db=_known(recorded.l10_db[own] - recorded.level_db[own]),
        spread_limit_db=_spread_limit(engine, channel),
    )
    return _story(engine, channel, tick, background, None, test)


def _as_recorded(background: Background, recorded: Recorded, own: int) -> Background:
    """The baseline that was used then; how it was learned is told as known now."""
    state, value = int(recorded.baseline_state[own]), _known(recorded.baseline_db[own])
    scale, anchor = _known(recorded.scale_db[own]), background.anchor_db
    return replace(
        background,
        state=BaselineState(state) if state in set(BaselineState) else background.state,
        value_db=value,
        scale_db=background.scale_db if scale is None else scale,
        drifted_db=value - anchor if value is not None and anchor is not None else None,
    )


def _rows(engine: Engine, group: int) -> slice:
    first = int(engine.layout.first[group])
    return slice(first, first + int(engine.layout.count[group]))


def _mode_of(engine: Engine, rows: slice, baseline: F32) -> int:
    """The operating condition whose baselines are nearest to those on record."""
    with np.errstate(invalid="ignore"):
        apart = np.abs(engine.stepper.baselines.value[rows] - baseline[:, None])
    known = ~np.isnan(apart).all(axis=0)
    total = np.where(known, np.nan_to_num(apart).sum(axis=0), np.inf)
    return int(total.argmin())


def _known(value: float | np.floating) -> float | None:
    return None if not np.isfinite(value) else float(value)


def _story(
    engine: Engine, channel: int, tick: _Tick, background: Background, evidence: Gathered | None, test: Test
) -> Story:
    group = int(engine.layout.group_of[channel])
    rows = _rows(engine, group)
    members = engine.layout.channels[rows]
    scores = _scores(tick, members)
    voices = _voices(engine, rows, tick, scores[0])
    own = channel - rows.start
    settings = engine.stepper.tuned.settings_of(channel)
    limit = _limit(engine, channel, tick.scale[own])
    settings = with_values(settings, {"rise_limit_db": limit.db})
    wants = wants_of(settings, members[own], tick.at_us, voices, scores, background, evidence, test)
    notes = (
        *_notes_of_group(tick, members, scores[0]),
        *_peaks(engine, channel, tick.high[own], voices[own]),
    )
    return Story(
        tick.at_us, engine.layout.group_names[group], members[own].name, members[own].subject,
        voices[own].verdict, voices[own].reason, voices, background, scores, evidence, wants,
        limit, notes=notes,
    )  # fmt: skip


def _notes_of_group(tick: _Tick, members: tuple[Channel, ...], best: Score) -> Iterator[Note]:
    """Where noise from outside comes in, if it falls away along the pipe."""
    end = int(tick.found.outside_from[0])
    if best.explanation is Explanation.OUTSIDE_NOISE and end:
        used = np.flatnonzero(tick.heard.use[0, : len(members)])
        yield Note(NoteKind.FROM_END, other=members[int(used[0 if end == FIRST_END else -1])].subject)


def _peaks(engine: Engine, channel: int, high_db: float, own: Voice) -> Iterator[Note]:
    """What comes and goes at the valve, above its floor."""
    usual = _known(engine.stepper.baselines.usual_spread[channel])
    moved = (Reason.OPEN, Reason.JUST_STROKED, Reason.LEVEL_DRIFTING, Reason.SENSOR_FAULT)
    if own.level_db is None or usual is None or not np.isfinite(high_db) or own.reason in moved:
        return
    spread = float(high_db) - own.level_db
    if spread >= usual + PEAKS_DB:
        yield Note(NoteKind.PEAKS, spread, usual)


def _notes_of_state(engine: Engine, channel: int, look: Look) -> Iterator[Note]:
    """What only the living state knows."""
    step, group = engine.stepper, int(engine.layout.group_of[channel])
    if look.mode != int(step.settled[group]) and not step.passing[channel]:
        yield Note(NoteKind.CONDITION_NEW, PRICE_COINCIDENCE)
    untested = Verdict(int(look.verdict[channel])) in (Verdict.NOT_TESTABLE, Verdict.UNSETTLED)
    if untested and step.passing[channel]:
        yield Note(NoteKind.STANDS_UNTESTED)


def _limit(engine: Engine, channel: int, scale_db: float) -> Limit:
    """The rise that the valve has to reach, and where it comes from."""
    step = engine.stepper
    scale = np.full(len(step.valve), np.nan, np.float32)
    scale[channel] = scale_db
    set_db = float(step.tuned.rise_limit_db[channel])
    found = max(set_db, float(rise_limits(step, scale)[channel]))
    phi = correlation(step.baselines.usual_step[[channel]], scale[[channel]])
    return Limit(found, set_db, step.tuned.values_of(channel)["budget_per_year"], float(phi[0]))


def _voices(engine: Engine, rows: slice, tick: _Tick, best: Score) -> tuple[Voice, ...]:
    alone, resolvable = leak_only(tick.level, tick.baseline)
    found = []
    for i, c in enumerate(engine.layout.channels[rows]):
        level, residual = _known(tick.level[i]), best.residual_db[i]
        expected = level - residual if level is not None and residual is not None else None
        found.append(
            Voice(
                c.name, c.subject, c.kind == "valve", level, _known(tick.baseline[i]), _known(tick.scale[i]),
                _known(tick.level[i] - tick.baseline[i]), _known(alone[i]) if resolvable[i] else None,
                expected, residual, bool(tick.heard.use[0, i]), Verdict(int(tick.verdict[i])),
                Reason(int(tick.reason[i])), SensorHealth(int(tick.health[i])),
            )
        )  # fmt: skip
    return tuple(found)


def _scores(tick: _Tick, members: tuple[Channel, ...]) -> tuple[Score, ...]:
    """Every explanation that can be, the best first; of two sources and of open valves only the best few."""
    found, heard = tick.found, tick.heard
    rows = [
        (Explanation.NOTHING, -1, found.nothing[0]), (Explanation.EVEN_SHIFT, -1, found.shift[0]),
        (Explanation.OUTSIDE_NOISE, -1, found.outside[0]),
        (Explanation.UNEXPLAINED, -1, found.unexplained[0]),
    ]  # fmt: skip
    for kind, scores in (
        (Explanation.OPEN_VALVE, found.known), (Explanation.ONE_PASSING, found.passing),
        (Explanation.TWO_PASSING, found.second),
    ):  # fmt: skip
        rows += [(kind, p, scores[0, p]) for p in range(len(members))]
    possible = sorted((r for r in rows if r[2] > IMPOSSIBLE / 2), key=lambda r: -r[2])
    best = float(possible[0][2])
    told: list[Score] = []
    pairs: set[frozenset[str | None]] = set()
    for kind, place, score in possible:
        first, passes = int(found.first[0, place]), bool(found.first_passes[0, place])
        named = _named(kind, place, first, passes, members)
        if named[0] is Explanation.TWO_PASSING:
            pair = frozenset(named[1:3])
            if pair in pairs:
                continue  # the same two, the other one first
            pairs.add(pair)
        expected = expected_level(
            heard, found, np.array([0]), np.array([kind], np.uint8), np.array([place], np.intp)
        )[0]
        residual = tuple(
            float(heard.level[0, i] - expected[i]) if heard.use[0, i] else None for i in range(len(members))
        )
        told.append(Score(*named, float(score), best - float(score), residual))
    return tuple(told)


def _named(
    kind: Explanation, place: int, first: int, first_passes: bool, members: tuple[Channel, ...]
) -> tuple[Explanation, str | None, str | None, str | None]:
    """(explanation, source, second, beside) of one that was compared."""
    at = members[place].subject if place >= 0 else None
    if kind is not Explanation.TWO_PASSING:
        return kind, at, None, None
    if first < 0:
        return Explanation.ONE_PASSING, at, None, Explanation.OUTSIDE_NOISE.text
    other = members[first].subject
    if not first_passes:
        return Explanation.ONE_PASSING, at, None, other
    return Explanation.TWO_PASSING, other, at, None


def _background(engine: Engine, channel: int, mode: int, calm: bool) -> Background:
    b, settings = engine.stepper.baselines, engine.layout.settings.baseline
    group = int(engine.layout.group_of[channel])
    learned = bool(b.learned[channel, mode])
    state = BaselineState.LEARNING
    if learned:
        state = BaselineState.APPROVED if b.approved[channel, mode] else BaselineState.TRACKING
        state = state if calm and not b.held[channel, mode] else BaselineState.HELD
    by_tags = not engine.stepper.free[group]
    condition = condition_name(engine, group, mode) if by_tags and mode else None
    rule = _rule(engine, mode) if by_tags else None
    value, anchor = _known(b.value[channel, mode]), _known(b.anchor[channel, mode])
    since = int(b.since_us[channel, mode])
    return Background(
        state, mode, int(b.learned[channel].sum() if by_tags else b.modes[group]), condition, rule,
        by_tags, value,
        _known(b.scale[channel, mode]), anchor,
        value - anchor if value is not None and anchor is not None else None,
        int(b.entries[channel, mode]), settings.learn_windows, since if since > 0 else None, settings.learn_s,
    )  # fmt: skip


def _rule(engine: Engine, mode: int) -> str | None:
    """When the site's rule for an operating condition holds; None where it has none of its own."""
    rules = engine.layout.settings.conditions
    return rules[mode - 1].when if 0 < mode <= len(rules) else None


def _gathered(engine: Engine, channel: int, look: Look) -> Gathered:
    step = engine.stepper
    gathered = float(step.evidence[channel])
    by_time = float(look.groups.told[channel] - look.groups.ratio[channel])
    margin = _known(look.margin[channel])
    return Gathered(
        float(look.groups.ratio[channel]), gathered - by_time, by_time, gathered,
        float(wanted_odds(step, look.margin)[channel]),
        float(step.lead_s[channel]), margin, float(look.wanted_margin[channel]),
        _rival(engine, channel, look), bool(step.passing[channel]),
    )  # fmt: skip


def _rival(engine: Engine, channel: int, look: Look) -> str | None:
    """The channel that the margin is over: the next in leak-only level that is no source itself."""
    group = int(engine.layout.group_of[channel])
    rows = _rows(engine, group)
    alone, _ = leak_only(look.signal.levels.low[rows], look.baseline[rows])
    sound = np.asarray(alone, np.float64) - engine.stepper.acoustics.coupling_db[group, : len(alone)]
    out = np.isnan(sound)
    out[channel - rows.start] = True
    if look.groups.leads[channel]:
        out |= look.groups.leads[rows]
    sound = np.where(out, -np.inf, sound)
    if not np.isfinite(sound.max()):
        return None
    subject: str = engine.layout.channels[rows.start + int(sound.argmax())].subject
    return subject


def _test(engine: Engine, channel: int, look: Look) -> Test:
    """What the register's tags and the window say about the valve being testable."""
    step = engine.stepper
    settings = step.tuned.settings_of(channel)
    levels, stroked = look.signal.levels, int(step.stroked_us[channel])
    left_s = (stroked - look.at_us) / US + settings.judge.settle_s if stroked > NEVER else 0.0
    last, signal = int(look.signal.last_us[channel]), look.signal
    interval_us = (signal.interval_s.astype(np.float64) * US).astype(np.int64)
    fewest = fewest_slots(step, signal.length_us, interval_us)[channel]
    sound = sound_of(step, signal)
    return Test(
        _known(look.conditions.difference_bar[channel]), max(0.0, left_s),
        last or None, _known(levels.drift[channel]), _known(levels.high[channel] - levels.low[channel]),
        _spread_limit(engine, channel), int(levels.slots[channel]), ceil(fewest),
        int(signal.length_us[channel]) / US,
        bool((turning(step, look.at_us, signal, sound) & ~step.passing)[channel]),
        bool(drowned(step, look.at_us, signal, look.blocked, sound)[channel]),
    )  # fmt: skip


def _spread_limit(engine: Engine, channel: int) -> float | None:
    """L10 - L90 from which the valve's sound is not steady; None until its usual spread is known."""
    usual = _known(engine.stepper.baselines.usual_spread[channel])
    signal = engine.stepper.tuned.settings_of(channel).signal
    return None if usual is None else signal.spread_limit_db + usual
