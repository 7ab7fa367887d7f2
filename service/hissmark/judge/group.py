"""The judgement of all groups at one tick: which mode, which explanation, what evidence for each valve.

Groups in which nothing stirs take a short cut (every channel near one of its baselines, no evidence
gathered); only the others are fitted in full.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge import evidence as ev
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.codes import among
from hissmark.judge.explain import Fit, expected_level, fit, only
from hissmark.judge.geometry import Geometry
from hissmark.judge.heard import Heard
from hissmark.judge.own_sound import Moved
from hissmark.judge.spill import AUDIBLE_DB, SpillCeilings
from hissmark.judge.verdicts import Explanation, Reason

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

STIR_DB = 1.5
STIR_SCALES = 3.0
PRICE_COINCIDENCE = 6.0
"""Added for a valve that begins to pass just when the operating condition changes: within one window that
happens to one leak in a few hundred (common practice, no source)."""
PRICE_UNLEARNED = 30.0
"""The most that a channel costs a mode it was not heard in, where it is off every background it has: more
than a plain leak costs in the mode from before, less than a poor fit there (common practice, no source)."""
MASKED_DB = 2.0
"""A source that is not so far over a background does not show in the level over it."""
LOUDER_DB = 3.0
"""So much louder than the source was is something else."""
STAY_BONUS = 3.0
"""Log-likelihood by which another mode has to be better before the group is said to have changed."""


class Channels(NamedTuple):
    """What the judgement needs of each channel; arrays over channels (modes where named so).

    Attributes:
        level: float32[C] floor. unrest: float32[C] dB by which the level may still move.
        value, scale: float32[C, M] baselines; NaN where not learned.
        sound: bool[C] fresh data, sensor well. may_pass: bool[C] closed valve under test, steady.
        suspect: bool[C] valves that may well be the source by the evidence gathered, or are said to be.
        known: bool[C] open or just stroked. share: float32[C] part of an independent window in a tick.
        doubt: bool[C] something keeps the group from the short cut (an alarm stands).
        standing: bool[C] valves said to pass. source_db: float32[C] dB that they were last heard at.
        goes_on: bool[C] those of them that are closed and under pressure still.
        open_: bool[C] open and settled, steady. valve: bool[C] what may pass at all, heard or not.
        patience: float32[C] log-odds by which time speaks for each valve, see `evidence.persistence`.
        moved: what groups sound like in which something has changed suddenly.
    """

    level: F32
    unrest: F32
    value: F32
    scale: F32
    sound: Bools
    may_pass: Bools
    suspect: Bools
    known: Bools
    share: F32
    doubt: Bools
    standing: Bools
    source_db: F32
    goes_on: Bools
    open_: Bools
    valve: Bools
    patience: F32
    moved: Moved | None = None


class Groups(NamedTuple):
    """Outcome per group (arrays [G]) and per channel ([C]).

    Attributes:
        mode: int[G]. explanation: uint8[G]. reason: uint8[G] why outside noise is said.
        source, second: int32[G] channel or -1. odds: float32[G] log-likelihood ahead of the next.
        next_explanation: uint8[G]. next_source: int32[G]. shift_db: float32[G]. stirred: bool[G].
        expected: float32[C]. leads: bool[C] the best explanation of this tick has the valve passing.
        ratio: float32[C] this tick's log-likelihood ratio of the valve passing.
        told: float32[C] the same, time counted in.
        masked: bool[C] valves said to pass that this operating condition would drown: nothing can be told.
    """

    mode: Ints
    explanation: npt.NDArray[np.uint8]
    reason: npt.NDArray[np.uint8]
    source: npt.NDArray[np.int32]
    second: npt.NDArray[np.int32]
    odds: F32
    next_explanation: npt.NDArray[np.uint8]
    next_source: npt.NDArray[np.int32]
    shift_db: F32
    stirred: Bools
    expected: F32
    leads: Bools
    ratio: F32
    told: F32
    masked: Bools


def judge(
    geometry: Geometry, acoustics: Acoustics, channels: Channels, on: Bools, mode: Ints,
    eligible: Bools, settled: Ints, evidence: F32, ceilings: SpillCeilings, tick_s: float,
) -> Groups:  # fmt: skip
    """Judge every group in `on` (bool[G]).

    Args:
        mode: int[G] mode of the tick before, one of the `eligible`. eligible: bool[G, M] modes that a group
            may be in. settled: int[G] the mode in which the group was last as usual.
        evidence: float32[C], updated in place; so are the ceilings.
    """
    g, c = len(on), len(channels.level)
    laid = _lay_out(geometry, channels)
    mode = _nearest_mode(laid, mode, eligible, on)
    rows = np.arange(g)
    rise = laid.level - laid.value[rows, :, mode]
    scale = laid.scale[rows, :, mode]
    with np.errstate(invalid="ignore"):
        stirs = laid.sound & (np.abs(rise) > np.maximum(STIR_DB, STIR_SCALES * scale))
    gathered = np.asarray(geometry.spread(evidence, ev.LOWEST), np.float32)
    doubt = np.asarray(geometry.spread(channels.doubt, False), bool)
    stirred = on & (stirs | doubt | (gathered > ev.LOWEST + 1.0)).any(axis=1)
    result = Groups(
        mode, np.zeros(g, np.uint8), np.zeros(g, np.uint8),
        np.full(g, -1, np.int32), np.full(g, -1, np.int32),
        np.full(g, ev.RATIO_LIMIT, np.float32), np.full(g, Explanation.ONE_PASSING, np.uint8),
        np.full(g, -1, np.int32), np.zeros(g, np.float32), stirred, np.full(c, np.nan, np.float32),
        np.zeros(c, bool), np.full(c, -ev.RATIO_LIMIT, np.float32),
        np.full(c, -ev.RATIO_LIMIT, np.float32), np.zeros(c, bool),
    )  # fmt: skip
    calm = on & ~stirred
    _put(geometry, result.expected, calm, laid.value[rows, :, mode])
    if stirred.any():
        _fit_stirred(geometry, acoustics, ceilings, laid, np.flatnonzero(stirred), eligible, settled, result)
    _take_ceilings(geometry, acoustics, ceilings, laid, on, result, tick_s)
    if laid.standing.any():
        _put(geometry, result.masked, on, _drowned(geometry, acoustics, laid, result))
    _gather(geometry, channels, on, result, evidence)
    return result


def _drowned(geometry: Geometry, acoustics: Acoustics, laid: _Laid, result: Groups) -> Bools:
    """Valves said to pass whose sound would not be heard through what is heard now, bool[G, P].

    A leak that a compressor or an open valve drowns has not gone: it is over only where it would be heard.
    Nor has one gone whose own sensor is not to be believed and that no other would hear.
    """
    leads = np.asarray(geometry.spread(result.leads, False), bool)
    expected = np.asarray(geometry.spread(result.expected, np.nan), np.float64)
    explanation = result.explanation[:, None]
    louder = (laid.level >= laid.source + LOUDER_DB) & ~among(
        explanation, (Explanation.ONE_PASSING, Explanation.TWO_PASSING)
    )
    background = laid.value[np.arange(len(laid.level)), :, result.mode]
    covered = background >= laid.source - MASKED_DB
    louder |= (explanation == Explanation.OPEN_VALVE) & (expected >= laid.source - MASKED_DB)
    with np.errstate(invalid="ignore"):
        arrives = laid.source[:, :, None] - acoustics.loss_db >= background[:, None, :]
    alone = ~laid.sound & ~(arrives & laid.sound[:, None, :]).any(axis=2)
    return np.asarray(laid.standing & (covered | alone | (louder & ~leads)), bool)


def _take_ceilings(
    geometry: Geometry, acoustics: Acoustics, ceilings: SpillCeilings, laid: _Laid, on: Bools,
    result: Groups, tick_s: float,
) -> None:  # fmt: skip
    """Let the ceilings of groups with a standing source follow what is heard."""
    groups = np.flatnonzero(on & ((laid.standing | laid.open_).any(axis=1) | (ceilings.source >= 0)))
    if not len(groups):
        return
    mode = result.mode[groups]
    background, scale = laid.value[groups, :, mode], laid.scale[groups, :, mode]
    steady = laid.sound[groups] & ~np.isnan(background) & (laid.unrest[groups] == 0)
    fits = among(
        result.explanation[groups],
        (Explanation.ONE_PASSING, Explanation.TWO_PASSING, Explanation.OPEN_VALVE),
    )
    ceilings.take(
        geometry, groups, (laid.standing | laid.open_)[groups],
        np.where(steady, laid.level[groups], 0.0), np.where(steady, background, 0.0),
        np.where(steady, scale, 1.0), steady & fits[:, None], acoustics.loss_db[groups],
        acoustics.loss_sd_db[groups], tick_s,
    )  # fmt: skip


def scored(
    geometry: Geometry, acoustics: Acoustics, ceilings: SpillCeilings, channels: Channels, group: int,
    mode: int, settled: int,
) -> tuple[Heard, Fit]:  # fmt: skip
    """What one group hears against the baselines of one mode, and how well each explanation fits it."""
    laid = _lay_out(geometry, channels)
    heard = _heard(geometry, acoustics, ceilings, laid, np.array([group], np.intp), np.array([mode], np.intp))
    return heard, coinciding(fit(heard), np.array([mode != settled]), heard.standing)


def coinciding(found: Fit, changed: Bools, standing: Bools) -> Fit:
    """Scores where the operating condition has changed as well (bool[B]): whatever begins now is dearer."""
    price = np.where(changed[:, None] & ~standing, PRICE_COINCIDENCE, 0.0)
    return replace(found, passing=found.passing - price, second=found.second - price)


class _Laid(NamedTuple):
    """Channel arrays laid out by group and place."""

    level: F64
    unrest: F64
    value: F64
    scale: F64
    sound: Bools
    may_pass: Bools
    suspect: Bools
    known: Bools
    standing: Bools
    source: F64
    goes_on: Bools
    open_: Bools
    valve: Bools
    patience: F64
    moved: Moved | None


def _lay_out(geometry: Geometry, channels: Channels) -> _Laid:
    def floats(values: F32) -> F64:
        return np.asarray(geometry.spread(values, np.nan), np.float64)

    sound = np.asarray(geometry.spread(channels.sound & ~np.isnan(channels.level), False), bool)
    return _Laid(
        floats(channels.level), floats(channels.unrest), floats(channels.value), floats(channels.scale),
        sound,
        np.asarray(geometry.spread(channels.may_pass, False), bool),
        np.asarray(geometry.spread(channels.suspect, False), bool),
        np.asarray(geometry.spread(channels.known, False), bool),
        np.asarray(geometry.spread(channels.standing, False), bool), floats(channels.source_db),
        np.asarray(geometry.spread(channels.goes_on, False), bool),
        np.asarray(geometry.spread(channels.open_, False), bool),
        np.asarray(geometry.spread(channels.valve, False), bool),
        np.nan_to_num(floats(channels.patience)),
        channels.moved,
    )  # fmt: skip


def _nearest_mode(laid: _Laid, mode: Ints, eligible: Bools, on: Bools) -> Ints:
    """The mode whose baselines fit best; the present one unless another is clearly better."""
    free = np.flatnonzero(on & (eligible.sum(axis=1) > 1))
    if not len(free):
        return mode.copy()
    value, scale = laid.value[free], laid.scale[free]
    unlearned = _unlearned(laid, free, eligible[free])
    known = ~np.isnan(value) & laid.sound[free][:, :, None]
    with np.errstate(invalid="ignore"):
        z = (laid.level[free][:, :, None] - value) / scale
        price = np.where(known, np.minimum(0.5 * z * z, 50.0) + np.log(scale), 0.0)
    score = -price.sum(axis=1) - unlearned
    score = np.where(eligible[free] & known.any(axis=1), score, -np.inf)
    score[np.arange(len(free)), mode[free]] += STAY_BONUS
    found = mode.copy()
    found[free] = score.argmax(axis=1)
    return found


def _unlearned(laid: _Laid, group: Ints, eligible: Bools) -> F64:
    """Price of each mode for channels that were not heard while it was learned, float64[groups, M].

    Of those nothing is known in that mode. What nobody knows explains nothing: a channel that is off all of
    the backgrounds it has costs the mode as much as it is off, up to a bound.
    """
    value, sound = laid.value[group], laid.sound[group]
    missing = np.isnan(value) & sound[:, :, None] & eligible[:, None, :]
    missing &= ~np.isnan(value).all(axis=1, keepdims=True)  # one that nobody has learned
    if not missing.any():
        return np.zeros(eligible.shape)
    with np.errstate(invalid="ignore"):
        off = np.abs((laid.level[group][:, :, None] - value) / laid.scale[group])
    off = np.where(eligible[:, None, :] & ~np.isnan(off), off, np.inf).min(axis=2)
    price = np.where(np.isinf(off), 0.0, np.minimum(0.5 * off * off, PRICE_UNLEARNED))
    return np.asarray((missing * price[:, :, None]).sum(axis=1), np.float64)


def _fit_stirred(
    geometry: Geometry,
    acoustics: Acoustics,
    ceilings: SpillCeilings,
    laid: _Laid,
    groups: Ints,
    eligible: Bools,
    settled: Ints,
    result: Groups,
) -> None:  # fmt: skip
    """Fit the stirred groups in each of their modes; keep the mode whose best explanation fits best."""
    row, tried = np.nonzero(eligible[groups])
    group = groups[row]
    heard = _heard(geometry, acoustics, ceilings, laid, group, tried)
    found = coinciding(fit(heard), tried != settled[group], heard.standing)
    best = best_score(found) + np.where(tried == result.mode[group], STAY_BONUS, 0.0)
    best -= _unlearned(laid, groups, eligible[groups])[row, tried]
    chosen = _best_of_each(groups, group, best)
    result.mode[groups] = tried[chosen]
    _fill(geometry, groups, chosen, heard, found, laid.patience[groups], result)


def _heard(
    geometry: Geometry, acoustics: Acoustics, ceilings: SpillCeilings, laid: _Laid, group: Ints, mode: Ints
) -> Heard:
    background, scale = laid.value[group, :, mode], laid.scale[group, :, mode]
    use = laid.sound[group] & ~np.isnan(background)
    with np.errstate(invalid="ignore"):
        audible = use & (laid.level[group] - background >= AUDIBLE_DB)
    scale = np.sqrt(scale**2 + np.nan_to_num(laid.unrest[group]) ** 2)
    # next to an open valve that cannot be heard itself nobody can be blamed
    unread = (laid.known[group] & ~use).any(axis=1, keepdims=True)
    # what a source sends out goes on while its own sensor is not heard: its neighbours are no news
    lost = (laid.suspect[group] & ~use).any(axis=1, keepdims=True) & ~laid.standing[group]
    return Heard(
        np.where(use, laid.level[group], -60.0), np.where(use, background, -60.0), np.where(use, scale, 1.0),
        use,
        use & ((laid.may_pass[group] & ~unread & ~lost) | laid.goes_on[group]), laid.known[group] & use,
        geometry.reference[group],
        *acoustics.of(group), ceilings.laid(geometry, group, audible), laid.standing[group],
        laid.valve[group] & ~use,
        acoustics.unknown(group),
        None if laid.moved is None else laid.moved.of(group),
    )  # fmt: skip


def best_score(found: Fit) -> F64:
    """Score of the best explanation, float64[B]."""
    single = np.maximum.reduce([found.nothing, found.shift, found.outside, found.unexplained])
    families = (found.known.max(axis=1), found.passing.max(axis=1), found.second.max(axis=1))
    return np.asarray(np.maximum.reduce([single, *families]), np.float64)


def _best_of_each(groups: Ints, group: Ints, score: F64) -> Ints:
    """Row of the best score within each group's rows (rows of a group are contiguous)."""
    order = np.lexsort((-score, group))
    first = np.searchsorted(group[order], groups)
    return np.asarray(order[first])


def _fill(
    geometry: Geometry, groups: Ints, chosen: Ints, heard: Heard, found: Fit, patience: F64, result: Groups
) -> None:
    """Write the outcome of the chosen fits into the result. `patience`: float64[groups, P]."""
    p = heard.level.shape[1]
    scores = np.concatenate(
        [
            np.stack([found.nothing, found.shift, found.outside, found.unexplained], axis=1),
            found.known,
            found.passing,
            found.second,
        ],
        axis=1,
    )[chosen]
    kinds = np.array(
        [Explanation.NOTHING, Explanation.EVEN_SHIFT, Explanation.OUTSIDE_NOISE, Explanation.UNEXPLAINED]
        + [Explanation.OPEN_VALVE] * p + [Explanation.ONE_PASSING] * p + [Explanation.TWO_PASSING] * p,
        np.uint8,
    )  # fmt: skip
    places = np.concatenate((np.full(4, -1), np.tile(np.arange(p), 3)))
    rows = np.arange(len(groups))
    top = scores.argmax(axis=1)
    best = scores[rows, top].copy()
    kind, place = kinds[top], places[top]
    at = np.maximum(place, 0)
    first, first_passes = found.first[chosen, at], found.first_passes[chosen, at]
    picked = only(found, chosen)
    holds = ev.pairs_with(picked)
    follow = _next_best(scores, top, kind, place, first, holds)
    result.odds[groups] = np.minimum(best - scores[rows, follow], 99.0)
    two = kind == Explanation.TWO_PASSING
    result.explanation[groups] = np.where(two & ~first_passes, Explanation.ONE_PASSING, kind)
    result.next_explanation[groups] = kinds[follow]
    result.next_source[groups] = _channel(geometry, groups, places[follow])
    by_two = two & first_passes
    result.source[groups] = _channel(geometry, groups, np.where(by_two, first, place))
    result.second[groups] = _channel(geometry, groups, np.where(by_two, place, -1))
    result.shift_db[groups] = found.shift_db[chosen]
    result.reason[groups] = _outside_reason(geometry, groups, kind, found.outside_from[chosen], heard, chosen)
    expected = expected_level(heard, found, chosen, kind, place)
    mask = np.zeros(len(result.mode), bool)
    mask[groups] = True
    _put(geometry, result.expected, mask, np.where(heard.use[chosen], expected, np.nan), rows_given=True)
    leads = np.zeros((len(groups), p), bool)
    passes = among(kind, (Explanation.ONE_PASSING, Explanation.TWO_PASSING))
    leads[rows[passes], place[passes]] = True
    leads[rows[by_two], first[by_two]] = True
    _put(geometry, result.leads, mask, leads, rows_given=True)
    _put(geometry, result.ratio, mask, ev.likelihood_ratio(picked, 0.0, holds), rows_given=True)
    _put(geometry, result.told, mask, ev.likelihood_ratio(picked, patience, holds), rows_given=True)


def _next_best(
    scores: F64, top: Ints, kind: npt.NDArray[np.uint8], place: npt.NDArray[np.intp],
    first: npt.NDArray[np.intp], holds: Bools,
) -> Ints:  # fmt: skip
    """Index of the best explanation that is truly another: one in which the sources found do not pass.

    `holds`: see `pairs_with`; changes `scores`.
    """
    rows, p = np.arange(len(scores)), (scores.shape[1] - 4) // 3
    scores[rows, top] = -np.inf
    at, other = np.maximum(place, 0), np.maximum(first, 0)
    single, two = kind == Explanation.ONE_PASSING, kind == Explanation.TWO_PASSING
    same = np.where(two[:, None], holds[rows, at] & holds[rows, other], holds[rows, at])
    same &= (single | (two & (first >= 0)))[:, None]
    scores[:, 4 + 2 * p :][same] = -np.inf
    return np.asarray(scores.argmax(axis=1))


def _outside_reason(
    geometry: Geometry, groups: Ints, kind: npt.NDArray[np.uint8], outside_from: npt.NDArray[np.int8],
    heard: Heard,
    chosen: Ints,
) -> npt.NDArray[np.uint8]:  # fmt: skip
    rise = np.where(heard.use[chosen], heard.level[chosen] - heard.background[chosen], -np.inf)
    rows = np.arange(len(groups))
    by_reference = geometry.reference[groups][rows, rise.argmax(axis=1)]
    reason = np.where(outside_from > 0, Reason.NOISE_FROM_ONE_END, Reason.EVEN_RISE_OF_THE_GROUP)
    reason = np.where(by_reference, Reason.REFERENCE_POINT_RISES_MOST, reason)
    reason = np.where(kind == Explanation.EVEN_SHIFT, Reason.EVEN_RISE_OF_THE_GROUP, reason)
    return np.where(kind == Explanation.OPEN_VALVE, Reason.OPEN_VALVE_NEARBY, reason).astype(np.uint8)


def _channel(geometry: Geometry, groups: Ints, place: npt.NDArray[np.intp]) -> npt.NDArray[np.int32]:
    return np.where(place >= 0, geometry.place[groups, np.maximum(place, 0)], -1).astype(np.int32)


def _put(
    geometry: Geometry,
    target: npt.NDArray[np.generic],
    groups: Bools,
    laid: npt.NDArray[np.generic],
    rows_given: bool = False,
) -> None:
    """Write values laid out by group and place back to channels, for `groups` only."""
    if geometry.whole:
        target.reshape(geometry.place.shape)[groups] = laid if rows_given else laid[groups]
        return
    present = geometry.present[groups]
    values = laid if rows_given else laid[groups]
    target[geometry.place[groups][present]] = values[present]


def _channels_of(geometry: Geometry, groups: Bools, channels: int) -> Bools:
    """The channels of some groups (bool[G]), bool[channels]."""
    if geometry.whole:
        return np.repeat(groups, geometry.place.shape[1])
    mine = np.zeros(channels, bool)
    _put(geometry, mine, groups, np.broadcast_to(groups[:, None], geometry.place.shape))
    return mine


def _gather(geometry: Geometry, channels: Channels, on: Bools, result: Groups, evidence: F32) -> None:
    """Add this tick's ratios to the evidence of the valves that were under test."""
    mine = _channels_of(geometry, on, len(evidence))
    # a valve that is not heard is cleared by a group that sounds as usual
    usual = _channels_of(geometry, on & (result.explanation == Explanation.NOTHING), len(evidence))
    counted = mine & ~channels.known & ~result.masked & np.where(channels.sound, channels.may_pass, usual)
    gathered = ev.gather(evidence, result.told.astype(np.float64), channels.share.astype(np.float64))
    evidence[counted] = gathered[counted]
    stroked = mine & channels.known
    evidence[stroked] = np.minimum(evidence[stroked], 0.0)
