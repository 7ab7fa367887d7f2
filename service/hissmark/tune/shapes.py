"""Outcomes of a trial as JSON has them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.tune.busiest import Busy
from hissmark.tune.compare import Pair
from hissmark.tune.episodes import Episode
from hissmark.tune.truth import Score


def episode_shape(episode: Episode | None) -> dict[str, Any] | None:
    """One alarm from its raising to its end."""
    if episode is None:
        return None
    return {
        "valve": episode.valve,
        "group": episode.group,
        "alarm": episode.alarm.value,
        "raised": rfc3339(episode.raised_us),
        "gone": rfc3339_or_none(episode.gone_us),
        "priority": episode.priority.value,
        "rise_db": episode.rise_db,
        "margin_db": episode.margin_db,
        "seq": episode.seq or None,
    }


def pair_shape(pair: Pair) -> dict[str, Any]:
    """One difference."""
    either = pair.either
    return {
        "difference": pair.difference.value,
        "valve": either.valve,
        "group": either.group,
        "alarm": either.alarm.value,
        "happened": episode_shape(pair.before),
        "would": episode_shape(pair.after),
        "shift_s": pair.shift_s,
        "by_change": pair.by_change,
    }


def pairs_shape(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    return [pair_shape(pair) for pair in pairs]


def score_shape(score: Score) -> dict[str, Any]:
    """Found, missed, false, with precision and recall."""
    return dataclasses.asdict(score)


def busy_shape(busy: Busy) -> dict[str, Any]:
    """A valve with many alarms, and what these have in common."""
    shape = dataclasses.asdict(busy) | {"moments": [rfc3339(at_us) for at_us in busy.moments_us]}
    del shape["moments_us"]
    return shape
