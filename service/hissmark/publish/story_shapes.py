"""Stories and losses as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from typing_extensions import TypedDict

from hissmark.engine.losses import Losses
from hissmark.engine.telling import Background, Gathered, Note, Score, Story, Voice, Want
from hissmark.engine.wants import name_of
from hissmark.publish.reading import trend_reading
from hissmark.publish.shapes import TrendReading
from hissmark.publish.story import changes, note_sentence, told, want_sentence
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.records import ChangeRow


class VoiceShape(TypedDict):
    """What one channel of the group says; levels in dB. `residual_db`: heard less expected."""

    channel: str
    valve: str | None
    level_db: float | None
    baseline_db: float | None
    scale_db: float | None
    rise_db: float | None
    leak_db: float | None
    expected_db: float | None
    residual_db: float | None
    compared: bool
    verdict: str
    reason: str
    health: str


class ScoreShape(TypedDict):
    """One explanation: log-likelihood less the price of its freedom, and how far it is behind the best.

    `residuals_db`: heard less expected of each channel, in the order of `group`.
    """

    explanation: str
    source: str | None
    second: str | None
    beside: str | None
    words: str
    score: float
    behind: float
    residuals_db: list[float | None]


class BackgroundShape(TypedDict):
    """The baseline that was used."""

    state: str
    condition: str | None
    rule: str | None
    by_tags: bool
    mode: int
    modes: int
    baseline_db: float | None
    scale_db: float | None
    anchor_db: float | None
    drifted_db: float | None
    windows: int
    windows_wanted: int
    since: str | None
    learn_s: int


class LimitShape(TypedDict):
    """The rise that counts as a leak: what is set, and more where the sensor's noise asks for it."""

    rise_db: float
    set_db: float
    budget_per_year: float
    correlation: float


class NoteShape(TypedDict):
    """Something that bears upon the verdict beside the levels; `usual`: the ordinary value."""

    what: str
    value: float | None
    usual: float | None
    other: str | None
    sentence: str


class RepairedShape(TypedDict):
    """The last work on the valve before the moment; `outcome` of its check is null while that runs."""

    at: str
    work: str
    who: str
    outcome: str | None
    sentence: str


class WantShape(TypedDict):
    """One thing that would change the verdict."""

    what: str
    have: float | None
    need: float | None
    unit: str
    other: str | None
    sentence: str


class StoryShape(TypedDict):
    """The story of a verdict. `basis`: "live", "saved state" (of `state_saved`), or "history" where only that
    is left of the moment.
    """

    valve: str
    channel: str
    group: str
    at: str
    basis: str
    state_saved: str | None
    verdict: str
    reason: str
    sentences: list[str]
    would_change: list[str]
    channels: list[VoiceShape]
    background: BackgroundShape
    explanations: list[ScoreShape]
    evidence: Gathered | None
    limit: LimitShape
    trend: TrendReading | None
    notes: list[NoteShape]
    repair: RepairedShape | None
    wants: list[WantShape]


class PairShape(TypedDict):
    """Loss between neighbours, dB, with its uncertainty (one standard deviation); by the register as well."""

    between: list[str]
    loss_db: float
    sd_db: float
    register_db: float
    register_sd_db: float


class CouplingShape(TypedDict):
    """How much better than ordinary a sensor hears, dB."""

    channel: str
    valve: str
    coupling_db: float
    sd_db: float


class ResetShape(TypedDict):
    """Learned losses that somebody had forgotten.

    `applied`: from which moment of the data it counts; null until the service has done it.
    """

    asked: str
    applied: str | None
    operator: str
    comment: str


class LossesShape(TypedDict):
    """What is believed of a group's pipework; `measured`: from how many openings and repairs."""

    group: str
    measured: int
    pairs: list[PairShape]
    couplings: list[CouplingShape]
    resets: list[ResetShape]


def story_shape(
    story: Story, basis: str, saved_us: int | None, repair: RepairedShape | None = None
) -> StoryShape:
    """A story in full. `repair`: what the repair book has of the valve."""
    return {
        "valve": story.subject,
        "channel": story.channel,
        "group": story.group,
        "at": rfc3339(story.at_us),
        "basis": basis,
        "state_saved": rfc3339_or_none(saved_us),
        "verdict": story.verdict.text,
        "reason": story.reason.text,
        "sentences": told(story) if repair is None else [*told(story), repair["sentence"]],
        "would_change": changes(story),
        "channels": [_voice(v) for v in story.voices],
        "background": _background(story.background),
        "explanations": [_score(s) for s in story.scores],
        "evidence": None if story.evidence is None else _evidence(story.evidence),
        "limit": {
            "rise_db": _2(story.limit.db),
            "set_db": _2(story.limit.set_db),
            "budget_per_year": story.limit.budget_per_year,
            "correlation": _2(story.limit.correlation),
        },
        "trend": trend_reading(story.trend),
        "notes": [_note(n) for n in story.notes],
        "repair": repair,
        "wants": [_want(w, story.subject) for w in story.wants],
    }


def counted_from_us(row: ChangeRow) -> int | None:
    """From when on a change counts; None while it waits. Without data: when it was asked for."""
    if row.outcome is None:
        return None
    return row.applied_after_us or row.requested_us


def losses_shape(losses: Losses, resets: Sequence[ChangeRow]) -> LossesShape:
    """Losses and couplings of a group."""
    return {
        "group": losses.group,
        "measured": losses.measured,
        "pairs": [
            {
                "between": [p.from_, p.to],
                "loss_db": _2(p.loss_db),
                "sd_db": _2(p.sd_db),
                "register_db": _2(p.register_db),
                "register_sd_db": _2(p.register_sd_db),
            }
            for p in losses.pairs
        ],
        "couplings": [
            {
                "channel": c.channel,
                "valve": c.subject,
                "coupling_db": _2(c.coupling_db),
                "sd_db": _2(c.sd_db),
            }
            for c in losses.couplings
        ],
        "resets": [
            {
                "asked": rfc3339(r.requested_us),
                "applied": rfc3339_or_none(counted_from_us(r)),
                "operator": r.change.operator,
                "comment": r.change.reason,
            }
            for r in resets
        ],
    }


def _2(value: float) -> float:
    """Hundredths of a decibel: more is noise."""
    return round(value, 2)


def _or_none(value: float | None) -> float | None:
    return None if value is None else _2(value)


def _voice(v: Voice) -> VoiceShape:
    return {
        "channel": v.channel,
        "valve": v.subject if v.is_valve else None,
        "level_db": _or_none(v.level_db),
        "baseline_db": _or_none(v.baseline_db),
        "scale_db": _or_none(v.scale_db),
        "rise_db": _or_none(v.rise_db),
        "leak_db": _or_none(v.leak_db),
        "expected_db": _or_none(v.expected_db),
        "residual_db": _or_none(v.residual_db),
        "compared": v.used,
        "verdict": v.verdict.text,
        "reason": v.reason.text,
        "health": v.health.text,
    }


def _score(s: Score) -> ScoreShape:
    return {
        "explanation": s.explanation.text,
        "source": s.source,
        "second": s.second,
        "beside": s.beside,
        "words": name_of(s),
        "score": _2(s.score),
        "behind": _2(s.behind),
        "residuals_db": [_or_none(r) for r in s.residual_db],
    }


def _background(b: Background) -> BackgroundShape:
    return {
        "state": b.state.text,
        "condition": b.condition,
        "rule": b.rule,
        "by_tags": b.by_tags,
        "mode": b.mode,
        "modes": b.modes,
        "baseline_db": _or_none(b.value_db),
        "scale_db": _or_none(b.scale_db),
        "anchor_db": _or_none(b.anchor_db),
        "drifted_db": _or_none(b.drifted_db),
        "windows": b.windows,
        "windows_wanted": b.windows_wanted,
        "since": rfc3339_or_none(b.since_us),
        "learn_s": b.learn_s,
    }


def _evidence(e: Gathered) -> Gathered:
    rounded: dict[str, Any] = {f.name: _tidy(getattr(e, f.name)) for f in fields(e)}
    return Gathered(**rounded)


def _tidy(value: object) -> object:
    return _2(value) if isinstance(value, float) else value


def _note(n: Note) -> NoteShape:
    return {
        "what": n.what.value,
        "value": _or_none(n.value),
        "usual": _or_none(n.usual),
        "other": n.other,
        "sentence": note_sentence(n),
    }


def _want(w: Want, subject: str) -> WantShape:
    return {
        "what": w.what.value,
        "have": _or_none(w.have),
        "need": _or_none(w.need),
        "unit": w.unit,
        "other": w.other,
        "sentence": want_sentence(w, subject),
    }
