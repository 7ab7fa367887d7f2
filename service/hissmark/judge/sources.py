"""One source, or a second on top of a first: how well the whole profile of a group fits.

A source's level is read at its own sensor; what it brings elsewhere is uncertain by the losses on the way and
by the sensors' coupling. These uncertainties are shared: whoever hears a source through the same piece of
pipe hears it too loud or too quiet together. So a profile is judged as a whole, by the Gaussian likelihood
with the full covariance of what is not known (`Acoustics`), with a robust tail. Two bounds hold besides:
sound is nowhere louder than at its source, and spill is never louder, relative to its source, than it was
before."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from hissmark.judge.acoustics import spill_sums
from hissmark.judge.heard import F64, IMPOSSIBLE, Bools, Heard, Ints, level_of, loss_of, power_of
from hissmark.judge.spill import NO_SPILL_SD

LOSS_FACTORS = np.array([0.4, 0.65, 1.0, 1.6, 2.5])
"""Losses are fitted within these multiples of what is expected."""
LOSS_FACTOR_PRICE = 0.5 * (np.log(LOSS_FACTORS) / 0.6) ** 2
LEARNED_SHARE = 0.6
"""Share of its variance before learning below which a loss counts as learned."""
CEILING_SD_DB = 1.5
"""How far spill may rise over its ceiling by noise (one standard deviation)."""
ITERATIONS = 3
"""Linearisations of a profile; the first is at what is heard."""
HIDDEN_DB = 6.0
"""Sound further than this below the background shows in no level."""
FURTHEST_DB = 60.0
"""No arrival is further than this from what is expected."""
OVER_CEILING_DB = 2.0
"""What is not further over its ceiling may be the first source still."""
ROBUST_ROOM = 4.0
"""A sum of squares grows on as its root once it exceeds the number of channels by this much."""


class Sources(NamedTuple):
    """One source at each place.

    Attributes:
        score: float64[B, P] log-likelihood, `IMPOSSIBLE` where no candidate.
        field, most: float64[B, P, P] power that it brings to each place, expected and at most.
        most_sd: float64[B, P, P] how sure that is, dB. price: float64[B, P] of the factor of the losses,
        taken
            off the score already.
    """

    score: F64
    price: F64
    field: F64
    most: F64
    most_sd: F64


class First(NamedTuple):
    """The first of two sources, float64[B, P].

    Attributes:
        place: int[B], -1 where it is noise from outside. score: float64[B] log-likelihood of it alone.
        field, most, most_sd: see `Sources`; for noise from outside most_sd is what makes it uncertain.
    """

    place: Ints
    score: F64
    field: F64
    most: F64
    most_sd: F64


def one_source(heard: Heard, leak_only: F64, background: F64, candidates: Bools) -> Sources:
    """One source at each of `candidates` (bool[B, P]), with the best of the loss factors.

    Args:
        leak_only: float64[B, P] dB. background: float64[B, P] powers.
    """
    most, most_sd = _most(heard, leak_only)
    field, price = _best_factor(heard, leak_only, background, most)
    score = np.full(candidates.shape, IMPOSSIBLE)
    b, k = np.nonzero(candidates)
    if len(b):
        profile = _profile(heard, b, background[b], np.maximum(most[b, k], field[b, k]), most_sd[b, k])
        arriving = [_Arriving(level_of(field[b, k]), k)]
        score[b, k] = _joint(heard, b, background[b], profile, arriving, [k]) - price[b, k]
    return Sources(score, price, field, most, most_sd)


def _best_factor(heard: Heard, leak_only: F64, background: F64, most: F64) -> tuple[F64, F64]:
    """Field float64[B, P, P] of each source with the factor of its losses that fits best, and its price."""
    stretch = (LOSS_FACTORS - 1.0)[None, None, :, None] * (heard.prior_loss * heard.free)[:, :, None, :]
    field = power_of(leak_only[:, :, None, None] - heard.loss[:, :, None, :] - stretch)
    field = np.minimum(field, most[:, :, None, :])
    total = background[:, None, None, :] + field
    own = np.eye(heard.use.shape[1], dtype=bool)[None, :, None, :]
    beyond = heard.level[:, None, None, :] - level_of(total)
    sideways = np.where(beyond > 0, heard.louder_sd[:, :, None, :], heard.loss_sd[:, :, None, :])
    sd = np.sqrt(heard.scale[:, None, None, :] ** 2 + np.where(own, 0.0, field / total * sideways) ** 2)
    channel = np.where(heard.use[:, None, None, :], -loss_of(beyond / sd) - np.log(sd), 0.0)
    price = LOSS_FACTOR_PRICE * heard.free.max(axis=2)[:, :, None]
    factor = (channel.sum(axis=-1) - price).argmax(axis=2)
    b, p = np.indices(factor.shape)
    return field[b, p, factor], price[b, p, factor]


def _most(heard: Heard, leak_only: F64) -> tuple[F64, F64]:
    """The most that a source can bring to each place (power) and how sure that is (dB), float64[B, P, P].

    No loss is negative: sound is nowhere louder than at its source, but for the coupling of the sensors. And
    while a source stands, its spill never grows over what it was before, relative to the source.
    """
    gain, sd = _highest_gain(heard)
    return power_of(leak_only[:, :, None] + gain), sd


def _highest_gain(heard: Heard) -> tuple[F64, F64]:
    """How far spill may be over its source, and how sure that is, dB; float64[B, P, P] by source, place."""
    coupled = heard.coupling[:, None, :] - heard.coupling[:, :, None]
    sd = np.sqrt(heard.coupling_sd[:, :, None] ** 2 + heard.coupling_sd[:, None, :] ** 2)
    sd = np.where(heard.ceiling < coupled, CEILING_SD_DB, sd)
    own = np.eye(heard.use.shape[1], dtype=bool)[None]
    return np.where(own, 0.0, np.minimum(heard.ceiling, coupled)), np.where(own, 0.0, sd)


class _Profile(NamedTuple):
    """What n profiles are held against, float64[n, P].

    Attributes:
        level: dB heard, up to the most that the sources can bring. excess: beyond that, in standard
            deviations.
    """

    level: F64
    excess: F64


class _Arriving(NamedTuple):
    """Sound of one source, uncertain by the losses on its way.

    Attributes:
        level: float64[n, P] dB that is expected to arrive. place: int[n] whence, -1 from outside.
    """

    level: F64
    place: Ints


def _profile(
    heard: Heard, b: Ints, background: F64, most: F64, most_sd: F64, more: F64 | float = 0.0,
    more_sd: F64 | float = 0.0,
) -> _Profile:  # fmt: skip
    """Part what rows `b` of `heard` hear into what sources may bring at most (powers, dB), and the rest.

    Args:
        more, more_sd: the same of a second source.
    """
    level, scale = heard.level[b], heard.scale[b]
    top = background + most + more
    excess = np.maximum(level - level_of(top), 0.0)
    sd = np.sqrt(scale**2 + (most / top * most_sd) ** 2 + (more / top * more_sd) ** 2)
    return _Profile(level - excess, excess / sd)


def _joint(
    heard: Heard, b: Ints, background: F64, profile: _Profile, sources: list[_Arriving], own: list[Ints],
    sums: F64 | None = None,
) -> F64:  # fmt: skip
    """Log-likelihood of n whole profiles, float64[n].

    What arrives of each source is Gaussian in dB, with the covariance of losses and couplings; what is heard
    is the sum of powers. So the likelihood is taken where it is highest (iterated linearisation, as in an
    iterated Kalman update), and not where the sources are expected: far from there a straight line would
    call any level possible.

    Args:
        b: rows of `heard`. background: float64[n, P] powers. sources: all whose losses are uncertain.
        own: places whose level is read off and so fits exactly. sums: float64[n, P, K] what the unknowns do
            to each place, if not as heard from the source itself.
    """
    use = heard.use[b].copy()
    rows = np.arange(len(b))
    exact = np.zeros_like(use)
    for place in own:
        exact[rows[place >= 0], place[place >= 0]] = True
    free = use & ~exact
    spread = [_sideways(heard, b, s.place, sums) for s in sources]
    noise = np.where(use, heard.scale[b] ** 2, 1.0)[:, :, None] * np.eye(use.shape[1])
    arriving = _first_guess(profile, background, sources)
    for _ in range(ITERATIONS):
        slope, beyond = _straight(profile, background, sources, arriving, free)
        covariance = noise.copy()
        for c, w in zip(spread, slope, strict=True):
            covariance += c * w[:, :, None] * w[:, None, :]
        weighed = np.linalg.solve(covariance, beyond[:, :, None])[:, :, 0]
        arriving = [
            s.level + np.clip((c @ (w * weighed)[:, :, None])[:, :, 0], -FURTHEST_DB, FURTHEST_DB)
            for c, w, s in zip(spread, slope, sources, strict=True)
        ]
    squares = (beyond * weighed).sum(axis=1)
    room = use.sum(axis=1) + ROBUST_ROOM
    squares = np.where(squares > room, 2.0 * np.sqrt(room * np.maximum(squares, 0.0)) - room, squares)
    excess = np.where(free, loss_of(profile.excess), 0.0).sum(axis=1)
    return np.asarray(-0.5 * squares - 0.5 * np.linalg.slogdet(covariance)[1] - excess)


def _straight(
    profile: _Profile, background: F64, sources: list[_Arriving], arriving: list[F64], free: Bools
) -> tuple[list[F64], F64]:
    """Levels as a straight line about what is `arriving` now, float64[n, P].

    Returns:
        How much of a decibel of each source shows, and what is heard beyond the expected along that line, dB.
    """
    powers = [power_of(a) for a in arriving]
    total = background + np.sum(powers, axis=0)
    slope = [np.where(free, p / total, 0.0) for p in powers]
    beyond = np.where(free, profile.level - level_of(total), 0.0)
    for w, a, s in zip(slope, arriving, sources, strict=True):
        beyond = beyond + w * (a - s.level)
    return slope, beyond


def _first_guess(profile: _Profile, background: F64, sources: list[_Arriving]) -> list[F64]:
    """What may arrive of each source where it is judged by what is heard, float64[n, P] dB."""
    expected = level_of(np.sum([power_of(s.level) for s in sources], axis=0))
    hidden = level_of(background) - HIDDEN_DB
    over = level_of(np.maximum(power_of(profile.level) - background, 0.0))
    # under the background nothing is known but that it is not more
    seen = np.where(over > hidden, over, np.minimum(hidden, expected))
    return [s.level + np.clip(seen - expected, -FURTHEST_DB, FURTHEST_DB) for s in sources]


def _sideways(heard: Heard, b: Ints, place: Ints, sums: F64 | None) -> F64:
    """Covariance of what a source at `place` brings to all places, dB², float64[n, P, P]."""
    p = heard.use.shape[1]
    sums = spill_sums(p)[np.maximum(place, 0)] if sums is None else sums
    spill = sums @ heard.unknown[b] @ sums.transpose(0, 2, 1)
    outside = np.eye(p)[None] * (heard.coupling_sd[b] ** 2)[:, :, None]
    return np.asarray(np.where((place >= 0)[:, None, None], spill, outside))


def stands_over_neighbours(heard: Heard, leak_only: F64, first: Ints) -> Bools:
    """Where a second source may sit: above its next channel on the way to the first source, bool[B, P].

    Spill never grows along the pipe by more than the sensors' coupling allows, however it travels; so a
    level that its neighbour nearer to the source shares is spill. Next to the source itself, where the loss
    from it has been learned, and where its spill has been heard before, the fit decides.
    """
    sound = leak_only - heard.coupling
    place = np.arange(heard.use.shape[1])[None, :]
    first = first[:, None]
    last = np.maximum.accumulate(np.where(heard.use, place, -1), axis=1)
    before = np.concatenate((np.full((len(last), 1), -1), last[:, :-1]), axis=1)
    beyond = place.shape[1]
    coming = np.minimum.accumulate(np.where(heard.use, place, beyond)[:, ::-1], axis=1)[:, ::-1]
    after = np.concatenate((coming[:, 1:], np.full((len(last), 1), beyond)), axis=1)
    near = np.where(place > first, before, after)
    between = (first >= 0) & np.where(place > first, near > first, near < first) & (place != first)
    at = np.clip(near, 0, beyond - 1)
    rows = np.arange(len(last))[:, None]
    spill = np.where(between, sound[rows, at] + 1.4 * heard.coupling_sd[rows, at], -np.inf)
    at_first = np.maximum(first, 0)
    learned = (first >= 0) & (heard.free[rows, at_first, place] < LEARNED_SHARE)
    held = (first >= 0) & np.isfinite(heard.ceiling[rows, at_first, place])
    return np.asarray((sound > spill) | learned | held, bool)


def second_source(heard: Heard, first: First, background: F64, candidates: Bools) -> tuple[F64, F64]:
    """A source at each of `candidates` on top of `first`: log-likelihood of both and its level, float64[B,
    P]."""
    beyond = power_of(heard.level) - background - first.field
    level = level_of(np.maximum(beyond, 0.0))
    score = np.full(candidates.shape, IMPOSSIBLE)
    # a source that brings less than half of what is there already cannot be told from it
    shows = beyond > 0.5 * (background + first.field)
    b, k = np.nonzero(candidates & shows & _is_no_spill(heard, first, background, beyond))
    if len(b):
        added = power_of(level[b, k][:, None] - heard.loss[b, k])
        gain, gain_sd = _highest_gain(heard)
        most, more = np.maximum(first.most[b], first.field[b]), power_of(level[b, k][:, None] + gain[b, k])
        profile = _profile(
            heard, b, background[b], most, first.most_sd[b], np.maximum(more, added), gain_sd[b, k]
        )
        sources = [_Arriving(level_of(first.field[b]), first.place[b]), _Arriving(level_of(added), k)]
        score[b, k] = _joint(heard, b, background[b], profile, sources, [first.place[b], k])
    return score, level


def _is_no_spill(heard: Heard, first: First, background: F64, beyond: F64) -> Bools:
    """Where more is heard than the first source has ever brought, or than it could, bool[B, P].

    A ceiling that was heard from the beginning may hold a second source that began together with the first;
    then only the losses speak against it."""
    rows, at = np.arange(len(first.place)), np.maximum(first.place, 0)
    held = (first.place >= 0)[:, None] & np.isfinite(heard.ceiling[rows, at])
    over = heard.level - level_of(background + np.maximum(first.most, first.field))
    arrived = level_of(np.maximum(beyond + first.field, 0.0)) - level_of(first.field)
    return np.asarray(~held | (over > OVER_CEILING_DB) | (arrived > NO_SPILL_SD * heard.loss_sd[rows, at]))


def unheard_source(heard: Heard, leak_only: F64, background: F64, risen: Bools) -> F64:
    """A leak at a valve whose own sensor is not heard: the best of them, float64[B] log-likelihood.

    Its level is read at the nearest place that hears something, so that place is no better a suspect.
    """
    best = np.full(len(leak_only), IMPOSSIBLE)
    reachable: Bools = heard.unheard & np.asarray(risen.any(axis=1))[:, None]
    b, k = np.nonzero(reachable)
    if not len(b):
        return best
    rows = np.arange(len(b))
    distance = np.where(risen[b], heard.prior_loss[b, k], np.inf)
    near = distance.argmin(axis=1)
    level = leak_only[b, near] + heard.loss[b, k, near]
    field = power_of(level[:, None] - heard.loss[b, k])
    profile = _Profile(heard.level[b], np.zeros_like(field))
    sums = spill_sums(heard.use.shape[1])[k]
    sums = sums - sums[rows, near][:, None, :]
    score = _joint(heard, b, background[b], profile, [_Arriving(level_of(field), k)], [near], sums)
    np.maximum.at(best, b, score)
    return best
