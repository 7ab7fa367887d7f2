"""A trial from request to result: replay, what happened, comparison, counts, suggestion."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hissmark.alarms.journal import AlarmKind
from hissmark.engine.layout import Layout
from hissmark.engine.variants import Setting
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.repairs.truth import Span
from hissmark.store.reader import Reader
from hissmark.tune.compare import Difference, compare, counts, told_apart
from hissmark.tune.episodes import Episode, episodes
from hissmark.tune.happened import KINDS, happened
from hissmark.tune.period import Outcome
from hissmark.tune.request import DAY_US, Axis, Kind, Request, setting_shape, spaced
from hissmark.tune.saying import suggestion_says
from hissmark.tune.shapes import episode_shape, pairs_shape, score_shape
from hissmark.tune.stages import Lineage
from hissmark.tune.suggest import Point, choose, closest
from hissmark.tune.truth import score
from hissmark.tune.versions import tuned_at

YEAR_US = 365.25 * DAY_US
MOST_LISTED = 2000
"""Alarms and differences listed in a result; all are counted."""
Replay = Callable[[Request], Outcome]
SUGGESTED_OVER = (
    Axis("rise_limit_db", spaced(3.0, 12.0, 10)),
    Axis("odds_limit", (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0)),
)
"""What a suggestion looks through where no settings are named."""


@dataclass(frozen=True)
class Sight:
    """What is known of the period besides the samples."""

    layout: Layout
    reader: Reader
    known: Sequence[Span]
    lineages: Mapping[str, Lineage]


def work(sight: Sight, request: Request, replay: Replay) -> dict[str, Any]:
    """Carry a request out; the result as JSON has it."""
    began_s = time.perf_counter()
    if request.kind is Kind.SUGGEST and not request.axes:
        request = dataclasses.replace(request, axes=SUGGESTED_OVER)
    groups = request.groups(sight.layout)
    if request.axes:
        present = in_force(sight, request, groups)
        request = dataclasses.replace(request, present=tuple(present.items()))
    outcome = replay(request)
    names = [name for group in groups for name in sight.lineages[group].names]
    alarms = happened(sight.reader, names, request.from_us, request.to_us)
    runs = [_episodes(outcome, v, request) for v in range(len(outcome.entries))]
    result = {
        "request": request.shape(),
        "groups": groups,
        "valves": _valves(sight.layout, groups),
        "basis": _basis(outcome, request, compare(alarms, runs[0]), _notes(sight, groups, request)),
        "samples": outcome.samples,
        "ticks": outcome.ticks,
        "ticks_singly": outcome.singly,
    }
    if request.kind is Kind.TRY:
        result |= _tried(sight, alarms, runs)
    else:
        result |= _swept(sight, request, groups, runs, _heard_us(outcome, request))
    return result | {"took_s": round(time.perf_counter() - began_s, 2)}


def _tried(sight: Sight, alarms: list[Episode], runs: list[list[Episode]]) -> dict[str, Any]:
    pairs = told_apart(compare(alarms, runs[1]), compare(alarms, runs[0]))
    differing = [p for p in pairs if p.difference is not Difference.SAME]
    return {
        "happened": [episode_shape(e) for e in alarms[:MOST_LISTED]],
        "would": [episode_shape(e) for e in runs[1][:MOST_LISTED]],
        "differences": pairs_shape(differing[:MOST_LISTED]),
        "counts": counts(pairs),
        "counts_by_change": counts(compare(runs[0], runs[1])),
        "score_happened": score_shape(score(sight.known, alarms)),
        "score_would": score_shape(score(sight.known, runs[1])),
    }


def _heard_us(outcome: Outcome, request: Request) -> int:
    """How much of the period there is anything on record of: rates count in that time."""
    if outcome.began_us is None or outcome.ended_us is None:
        return 0
    return max(0, min(request.to_us, outcome.ended_us) - max(request.from_us, outcome.began_us))


def _swept(
    sight: Sight, request: Request, groups: list[str], runs: list[list[Episode]], heard_us: int
) -> dict[str, Any]:
    valve_years = _valves(sight.layout, groups) * heard_us / YEAR_US
    points = []
    for variant, found in zip(request.variants(), runs, strict=True):
        values = dict(variant[0].values) if variant else {}
        points.append(Point(values, _count(found), valve_years, score(sight.known, found)))
    here, tried = points[1], points[2:]  # points[0]: as it was, changes of settings in the period included
    result = {
        "axes": [{"setting": a.setting, "values": list(a.values)} for a in request.axes],
        "here": _point_shape(here, runs[1], runs[1]) | {"values": dict(request.present)},
        "points": [_point_shape(p, r, runs[1]) for p, r in zip(tried, runs[2:], strict=True)],
        "valve_years": valve_years,
    }
    if request.kind is Kind.SUGGEST and request.budget is not None:
        chosen = choose(tried, request.budget, closest(dict(request.present)))
        says = suggestion_says(request.budget, here, tried, chosen)
        result |= {
            "budget": request.budget,
            "suggestion": chosen and _suggested(request, chosen),
            "says": says,
        }
    return result


def _suggested(request: Request, point: Point) -> dict[str, Any]:
    setting = Setting(request.level, request.subject, point.values)
    return _point_shape(point, [], []) | {"settings": [setting_shape(setting)]}


def in_force(sight: Sight, request: Request, groups: list[str]) -> dict[str, float]:
    """The swept settings as they were when the period ended, at the first valve concerned."""
    tuned = tuned_at(sight.layout, sight.reader, request.to_us)
    wanted = [i for i, c in enumerate(sight.layout.channels) if c.group in groups and c.valve]
    channels = sight.layout.channels
    wanted = [i for i in wanted if request.subject in (channels[i].subject, channels[i].group)] or wanted
    values = tuned.values_of(wanted[0]) if wanted else {}
    return {axis.setting: values[axis.setting] for axis in request.axes if axis.setting in values}


def _point_shape(point: Point, found: list[Episode], in_force_: list[Episode]) -> dict[str, Any]:
    return {
        "values": dict(point.values),
        "alarms": point.alarms,
        "a_year": round(point.a_year, 4),
        "unproven_a_year": point.unproven and dataclasses.asdict(point.unproven),
        "false_a_year": None if point.false_a_year is None else round(point.false_a_year, 4),
        "against_now": counts(compare(in_force_, found)),
        "score": score_shape(point.score),
    }


def _count(found: list[Episode]) -> dict[str, int]:
    return {kind.value: sum(e.alarm is kind for e in found) for kind in AlarmKind}


def _valves(layout: Layout, groups: list[str]) -> int:
    return sum(c.group in groups and c.valve is not None for c in layout.channels)


def _notes(sight: Sight, groups: list[str], request: Request) -> list[str]:
    """Where a change of the register keeps a group from being replayed from the beginning."""
    lineages = [sight.lineages[group] for group in groups]
    return [
        f"{rfc3339(lineage.begins_us)}: {lineage.note}"
        for lineage in lineages
        if lineage.note and lineage.begins_us is not None
        and lineage.begins_us > request.from_us - request.before_us
    ]  # fmt: skip


def _basis(outcome: Outcome, request: Request, again: Sequence[Any], notes: list[str]) -> dict[str, Any]:
    """What the replay rests on, and how well it reproduces what happened under the settings in force."""
    same = sum(p.difference is Difference.SAME for p in again)
    began = outcome.began_us
    learned_s = 0.0 if began is None else max(0, request.from_us - began) / 1e6
    return {
        "from": rfc3339_or_none(began),
        "learned_from": "the period before",
        "learned_days": round(learned_s / 86_400, 2),
        "reproduced": same,
        "of": len(again),
        "sentence": " ".join([_sentence(began, learned_s, same, len(again)), *(f"{n}." for n in notes)]),
    }


def _sentence(began: int | None, learned_s: float, same: int, of: int) -> str:
    if began is None:
        return "There are no samples of these valves in the period or before it."
    start = (
        f"Backgrounds were learned from {_long(learned_s)} before the period."
        if learned_s
        else "There is nothing on record before the period, so its beginning went into learning backgrounds."
    )
    if not of:
        return f"{start} No alarm happened, and with the settings in force none comes out."
    alarms = "the 1 alarm as it" if of == same == 1 else f"{same} of {of} alarms as they"
    return f"{start} With the settings in force the replay gives {alarms} happened."


def _long(seconds: float) -> str:
    """How long, as a person would say it."""
    hours = seconds / 3600
    return f"{hours:.1f} hours" if hours < 36 else f"{hours / 24:.1f} days"


def _episodes(outcome: Outcome, variant: int, request: Request) -> list[Episode]:
    entries = [(0, e) for e in (*outcome.before, *outcome.entries[variant])]
    return episodes(entries, request.from_us, request.to_us, KINDS)
