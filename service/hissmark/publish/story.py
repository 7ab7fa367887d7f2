"""The story of a verdict in plain sentences."""

from __future__ import annotations

from collections.abc import Callable

from hissmark.engine.reasons import trend_text
from hissmark.engine.telling import (
    Background,
    Gathered,
    Lacking,
    Limit,
    Note,
    NoteKind,
    Score,
    Story,
    Voice,
    Want,
)
from hissmark.engine.wants import blames, name_of
from hissmark.judge.verdicts import BaselineState, Verdict
from hissmark.publish.sentences import listing, reason_sentence
from hissmark.publish.times import age_text, rfc3339

SHOWN_SCORES = 6
"""Explanations that are put into sentences; the numbers have them all."""
PLAIN_RISE_DB = 1.0


def told(story: Story) -> list[str]:
    """The story as paragraphs of one or a few sentences."""
    paragraphs = [
        f"{story.subject}: {story.verdict.text}. {reason_sentence(story.reason.text)}",
        *(note_sentence(n) for n in story.notes if n.what is NoteKind.STANDS_UNTESTED),
        _own(story.own),
        *(note_sentence(n) for n in story.notes if n.what is NoteKind.PEAKS),
        _others(story),
        background_sentence(story.background),
        compared_sentence(story),
        *(note_sentence(n) for n in story.notes if n.what in (NoteKind.CONDITION_NEW, NoteKind.FROM_END)),
        residual_sentence(story),
    ]
    if story.own.is_valve and story.evidence is not None and story.verdict is not Verdict.NOT_TESTABLE:
        paragraphs.append(evidence_sentence(story.evidence))
    if story.own.is_valve and story.limit.by_noise:
        paragraphs.append(limit_sentence(story.limit, story.background))
    if story.trend is not None:
        paragraphs.append(f"The leak is {trend_text(story.trend)}, over {_span(story.trend.span_s)}.")
    if story.own.is_valve and story.evidence is None:
        paragraphs.append("How much evidence had been gathered by then is not on record.")
    return [p for p in paragraphs if p]


def changes(story: Story) -> list[str]:
    """What would change the verdict, one sentence each."""
    return [want_sentence(want, story.subject) for want in story.wants]


def note_sentence(note: Note) -> str:
    """What is worth saying beside the levels."""
    return _NOTED[note.what](note)


def limit_sentence(limit: Limit, background: Background) -> str:
    """Why the limit of this valve is higher than the one that was set."""
    return (
        f"Its own noise (scatter {db(background.scale_db)}) asks for a rise of {db(limit.db)} instead of "
        f"{db(limit.set_db)}, to keep to {limit.budget_per_year:g} false alarms a year."
    )


def _span(span_s: float) -> str:
    return f"{span_s / 86_400:.0f} days" if span_s >= 2 * 86_400 else f"{span_s / 3600:.0f} hours"


def db(value: float | None) -> str:
    return "unknown" if value is None else f"{round(value, 1) + 0.0:.1f} dB"


def signed(value: float | None) -> str:
    """``+3.1 dB``; what rounds to nothing is ``+0.0 dB``."""
    return "unknown" if value is None else f"{round(value, 1) + 0.0:+.1f} dB"


def _own(own: Voice) -> str:
    if own.level_db is None:
        return "Its sensor hears nothing at this moment."
    if own.rise_db is None:
        return f"Its floor is {db(own.level_db)}."
    alone = f" Without the background the rest is {db(own.leak_db)}." if own.leak_db is not None else ""
    return (
        f"Its floor is {db(own.level_db)}, {signed(own.rise_db)} against its background of "
        f"{db(own.baseline_db)} (scatter {db(own.scale_db)}).{alone}"
    )


def _others(story: Story) -> str:
    """What the others of the group hear, and who is left out."""
    others = [v for v in story.voices if v.channel != story.channel]
    risen = [v for v in others if v.rise_db is not None and v.rise_db >= PLAIN_RISE_DB and v.used]
    left_out = [f"{v.subject} ({v.reason.text})" for v in story.voices if not v.used]
    if risen:
        risen.sort(key=lambda v: -(v.rise_db or 0.0))
        said = "Along the group: " + listing((f"{v.subject} {signed(v.rise_db)}" for v in risen), 6) + "."
    else:
        said = "No other channel of the group stands over its background." if others else ""
    return f"{said} Left out of the comparison: {listing(left_out)}." if left_out else said


def background_sentence(b: Background) -> str:
    """Which baseline, and why that one."""
    hours = f"{b.learn_s / 3600:g} h"
    if b.state is BaselineState.LEARNING:
        return (
            f"Its background in {_condition(b)} is still being learned: {b.windows} of {b.windows_wanted} "
            f"windows heard, over at least {hours}."
        )
    since = f" since {rfc3339(b.since_us)}" if b.since_us else ""
    said = {
        BaselineState.TRACKING: "It follows slow change",
        BaselineState.HELD: "It is held still while something is under suspicion",
        BaselineState.APPROVED: "Somebody approved it",
    }[b.state]
    drift = (
        f", {signed(b.drifted_db)} from its anchor of {db(b.anchor_db)}" if b.anchor_db is not None else ""
    )
    return f"The background is that of {_condition(b)}, from {b.windows} windows{since}. {said}{drift}."


def _condition(b: Background) -> str:
    if b.by_tags and not b.condition:
        return "ordinary operation (no rule holds)"
    if b.by_tags:
        holds = f" ({b.rule} holds)" if b.rule else ""
        return f"the operating condition {b.condition!r}{holds}"
    if b.modes < 2:
        return "the only operating condition known"
    nearest = "the one whose levels are nearest to what the group hears"
    return f"operating condition {b.mode + 1} of the {b.modes} found by listening, {nearest}"


def compared_sentence(story: Story) -> str:
    """The explanations with their scores."""
    best = story.scores[0]
    said = f"Best explanation: {name_of(best)}."
    shown = [f"{name_of(s)} {s.behind:.1f}" for s in story.scores[1:SHOWN_SCORES]]
    return f"{said} Behind it (log-likelihood): {', '.join(shown)}." if shown else said


def residual_sentence(story: Story) -> str:
    """How far the best explanation misses each channel."""
    found = [f"{v.subject} {signed(v.residual_db)}" for v in story.voices if v.residual_db is not None]
    return f"Heard less expected under it: {', '.join(found)}." if found else ""


def evidence_sentence(e: Gathered) -> str:
    """What speaks for the valve passing."""
    said = (
        f"Evidence that it is passing: {e.odds:.1f} of the {e.odds_wanted:.1f} wanted (natural log of a "
        f"likelihood ratio; {e.gathered:.1f} gathered, {e.by_time:.1f} for lasting)."
    )
    if e.plausible_s:
        said += f" It has been a plausible source for {age_text(e.plausible_s)}."
    if e.margin_db is not None:
        over = f" over {e.over}" if e.over else ""
        said += f" Its margin{over} is {db(e.margin_db)}, wanted {db(e.margin_wanted_db)}."
    return said


def score_text(score: Score, subject: str) -> str:
    """One explanation, marked where it has the valve passing."""
    return f"{name_of(score)} *" if blames(score, subject) else name_of(score)


def want_sentence(want: Want, subject: str) -> str:
    """One thing that would change the verdict."""
    return _WANTED[want.what](want, subject)


def _closed(want: Want, subject: str) -> str:
    how = f" ({want.other})" if want.other else ""
    return f"It is judged once it is closed{how} and has settled."


def _data(want: Want, subject: str) -> str:
    age = f"; the last came {age_text(want.have)} before" if want.have is not None else ""
    return f"It waits for samples of {want.other}{age}."


def _difference(want: Want, subject: str) -> str:
    tags = f" ({want.other})" if want.other else ""
    have = want.have or 0.0
    return f"Pressure difference{tags} is {have:.1f} bar, below the {want.need:g} bar that a test needs."


def _margin(want: Want, subject: str) -> str:
    over = f" over {want.other}" if want.other else ""
    return f"It needs {_short(want):.1f} dB more margin{over}; without it, far more evidence is wanted."


def _better_fit(want: Want, subject: str) -> str:
    gap = f"; it is {want.have:.1f} behind (log-likelihood)" if want.have is not None else ""
    return f"{subject} passing must fit the group better than {want.other!r}{gap}."


def _short(want: Want) -> float:
    """By how much it is short of what is wanted."""
    return (want.need or 0.0) - (want.have or 0.0)


_WANTED: dict[Lacking, Callable[[Want, str], str]] = {
    Lacking.CLOSED: _closed,
    Lacking.SETTLED: lambda w, _: f"It is judged {age_text(_short(w))} from now, unless it moves again.",
    Lacking.POSITION: lambda w, _: f"It waits for position tag {w.other}.",
    Lacking.PRESSURES: lambda w, _: f"It waits for its pressure tags ({w.other}).",
    Lacking.DIFFERENCE: _difference,
    Lacking.DATA: _data,
    Lacking.SENSOR: lambda w, _: f"It waits for its sensor ({w.other}) to be put right.",
    Lacking.WINDOWS: lambda w, _: f"It waits for {_short(w):.0f} more windows under test conditions.",
    Lacking.LEARNING_TIME: lambda w, _: f"It waits for {age_text(3600 * _short(w))} more of learning.",
    Lacking.STEADY: lambda w, _: (
        f"Its level spreads over {db(w.have)}; at most {db(w.need)} counts as steady."
    ),
    Lacking.STILL: lambda w, _: (
        f"Its level moved by {db(w.have)} within the window; at most {db(w.need)} counts as still."
    ),
    Lacking.SAMPLES: lambda w, _: (
        f"It waits for more samples: {w.have or 0:.0f} slots of the window are filled"
        + (f", {w.need:.0f} are needed." if w.need else ".")
    ),
    Lacking.TURNING: lambda w, _: (
        f"It is not blamed until the windows of its group ({age_text(w.need or 0.0)} its own) have turned "
        "over: they still hold what was heard before the last change."
    ),
    Lacking.DROWNED: lambda _w, _: (
        "Nobody in its group is blamed until the sensor of the valve that is open or has just moved "
        "has told how loud that is."
    ),
    Lacking.KNOWN: lambda w, subject: (
        f"Somebody has to look at {subject}: a repair on record, or a stroke of the valve, ends the doubt."
    ),
    Lacking.RISE: lambda w, _: f"Its rise must reach {w.need:g} dB; it is {db(w.have)}.",
    Lacking.GROUP_RISE: lambda w, _: (
        f"The highest rise of the group must reach {w.need:g} dB; it is {db(w.have)}."
    ),
    Lacking.MARGIN: _margin,
    Lacking.ODDS: lambda w, _: f"It needs {_short(w):.1f} more evidence; it has {w.have or 0.0:.1f}.",
    Lacking.BETTER_FIT: _better_fit,
    Lacking.ENDS_BY_RISE: lambda w, _: (
        f"The verdict ends when its rise falls below {w.need:.2f} dB; it is {db(w.have)}."
    ),
    Lacking.ENDS_BY_ODDS: lambda w, _: (
        f"It ends, too, when the evidence for it falls to {w.need:g}; it is {w.have or 0.0:.1f}."
    ),
}
"""What each lack says of itself."""

_NOTED: dict[NoteKind, Callable[[Note], str]] = {
    NoteKind.PEAKS: lambda n: (
        f"Its loudest tenth stands {db(n.value)} over its floor (L10 - L90, usual is {db(n.usual)}): "
        "something comes and goes there, such as a steam trap, knocks or rain. A leak hisses without pause, "
        "so the floor is judged."
    ),
    NoteKind.CONDITION_NEW: lambda n: (
        "The operating condition has just changed, so what begins at the same moment has to fit "
        f"{n.value or 0.0:g} better (log-likelihood) to be called a leak."
    ),
    NoteKind.FROM_END: lambda n: f"The noise comes in at the end of {n.other}.",
    NoteKind.STANDS_UNTESTED: lambda _: (
        "It was found passing before. That stands until it can be judged again: no sound without test "
        "conditions proves it tight."
    ),
}
"""What each note says."""
