"""How well each explanation fits the levels that a group hears at one tick.

The model of one channel: powers add, so a source S heard through a loss T over a background b gives the
level ``10 lg(10^(b/10) + 10^((S-T)/10))``. Each explanation predicts a level for every channel; the score of
an explanation is the robust log-likelihood of what was heard, less the price of its free parameters:

- nothing: every channel at its background;
- even shift: all channels up or down by the same number of decibels;
- outside noise: power that enters at one end (or everywhere) and is carried along with little loss;
- a known source: a valve that is open or has just been stroked;
- one passing valve: highest there, falling away with the transmission loss, fitted within bounds;
- two sources: the best of the sources above and a second valve;
- unexplained: some channels moved by amounts of their own, one reads high all by itself, or a valve passes
  whose
  own sensor is not heard.

How sources are fitted is told in `sources`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge.codes import among
from hissmark.judge.heard import (
    IMPOSSIBLE,
    Heard,
    channel_score,
    even_score,
    level_of,
    power_of,
    row_median,
    total_score,
)
from hissmark.judge.own_sound import HEARD_DB, Own, one_source_ratio
from hissmark.judge.sources import (
    First,
    Sources,
    one_source,
    second_source,
    stands_over_neighbours,
    unheard_source,
)
from hissmark.judge.verdicts import Explanation

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

SILENT_DB = -120.0
SHARE_OF, END_OF = np.array([0.0, 0.15, 0.15, 0.3, 0.3]), np.array([0, 0, 1, 0, 1])
"""Ways noise may come from outside: share of the structural loss that it suffers, carried along by the fluid;
from the first end or the last."""
ABOUT_DB = np.array([-2.0, 0.0, 2.0])
"""How loud it may be, about the middle of what the channels say."""
FIRST_END = 1
"""Where carried noise comes from: this at the group's first position, one more at its last, 0 all over."""
OWN_CHANGE_DB = 6.0
SHIFT_SD_DB = 4.0

PRICE_SHIFT = 1.5
PRICE_OUTSIDE = 7.0
PRICE_OUTSIDE_AT_REFERENCE = 3.5
"""Noise from outside is cheap to believe only where a reference point hears it as loud as any channel."""
REFERENCE_TOLERANCE_DB = 3.0
PRICE_CARRIED = 0.7
"""Added for noise that comes from one end."""
PRICE_KNOWN = 0.5
PRICE_PASSING = 5.5
PRICE_STANDING = 1.0
"""A valve that has been found to pass goes on passing: its beginning need not be paid for at every tick."""
PRICE_SECOND = 6.5
PRICE_AT_ONCE = 4.0
"""Added for a second source while the first is not known to stand: two leaks do not begin at one moment, and
an operating condition lifts several channels at once."""
PRICE_BESIDE_KNOWN = 4.0
"""Added for a passing valve while another of the group is open or has just moved: that one is loud."""
PRICE_UNEXPLAINED = 7.0
PRICE_MEANWHILE = 5.0
"""Added for what is no leak while a leak or an open valve goes on."""
PRICE_ALONE = 10.5


@dataclass(frozen=True, slots=True)
class Fit:
    """Scores (log-likelihood less price) of every explanation; larger is better.

    Attributes:
        nothing, shift, outside, unexplained: float64[B].
        known: float64[B, P] a known source at each place. passing: float64[B, P] one passing valve there.
        second: float64[B, P] a passing valve there besides the first source that goes best with it.
        first: int[B, P] place of that first source, -1 where it is noise from outside.
        first_passes: bool[B, P] it is a passing valve.
        expected: dict of explanation -> predicted levels, filled for the winners by `predict`.
    """

    nothing: F64
    shift: F64
    outside: F64
    unexplained: F64
    known: F64
    passing: F64
    second: F64
    first: Ints
    first_passes: Bools
    shift_db: F64
    source_field: F64
    outside_field: F64
    second_level: F64
    outside_from: npt.NDArray[np.int8]


def only(found: Fit, rows: Ints) -> Fit:
    """Some rows of a fit."""
    return Fit(**{each.name: getattr(found, each.name)[rows] for each in fields(found)})


def fit(heard: Heard) -> Fit:
    """Score every explanation of what `heard` holds."""
    power_background = power_of(heard.background)
    leak_only = level_of(np.maximum(power_of(heard.level) - power_background, 0.0))
    by_channel = channel_score(heard, heard.background, heard.scale)
    nothing = total_score(by_channel, heard.use)
    shift, shift_db = _even_shift(heard)
    outside, outside_field, outside_from, outside_price = _outside(heard, leak_only, power_background)
    risen = heard.use & (heard.level - heard.background > 0.5)
    sources = one_source(heard, leak_only, power_background, (heard.may_pass | heard.known) & risen)
    price = np.log(np.maximum(heard.use.sum(axis=1), 1))[:, None]
    beside = np.where(heard.known.any(axis=1), PRICE_BESIDE_KNOWN, 0.0)[:, None]
    begins = np.where(heard.standing, PRICE_STANDING, PRICE_PASSING + price + beside)
    passing = np.where(heard.may_pass & risen, sources.score - begins, IMPOSSIBLE)
    known = np.where(heard.known & risen, sources.score - PRICE_KNOWN, IMPOSSIBLE)
    singles = _Singles(
        outside, outside_field, outside_price, sources, passing, known, leak_only, power_background
    )
    two = _two_sources(heard, singles, risen)
    hidden = unheard_source(heard, leak_only, power_background, risen) - PRICE_PASSING - price[:, 0]
    alone = _alone(heard, by_channel, nothing, price[:, 0])
    goes_on = _goes_on(heard, sources, power_background, risen)
    found = Fit(
        nothing,
        shift - PRICE_SHIFT,
        outside,
        np.maximum.reduce([_unexplained(heard), alone, hidden]),
        np.where(heard.known, np.maximum(known, goes_on), known),
        np.where(heard.standing, np.maximum(passing, goes_on), passing),
        two.score,
        two.first,
        two.first_passes,
        shift_db,
        sources.field,
        outside_field,
        two.level,
        outside_from,
    )
    return found if heard.own is None else _after_sudden_change(heard, heard.own, found)


def _after_sudden_change(heard: Heard, own: Own, found: Fit) -> Fit:
    """Scores where something has changed suddenly: is it one source, or a new operating condition?

    What speaks against one source makes every valve less likely alike: it says nothing of which. What speaks
    for it speaks against sounds of their own only: noise from outside is one source as well.
    """
    rows = np.arange(len(found.nothing))
    # an operating condition lifts several channels; what one hears alone is left to all other explanations
    several = (heard.use & (heard.level - heard.background > HEARD_DB)).sum(axis=1) >= 2
    moved = ~np.isnan(own.apart).all(axis=(1, 2)) & ~(heard.standing | heard.known).any(axis=1) & several
    ratios = one_source_ratio(own, heard.level - heard.background, heard.use)
    ratio = np.where(moved, ratios[rows, found.passing.argmax(axis=1)], 0.0)
    against = np.minimum(ratio, 0.0)[:, None]
    return replace(
        found,
        passing=found.passing + against,
        second=found.second + against,
        unexplained=found.unexplained + np.where(moved, own.novelty, 0.0) - np.maximum(ratio, 0.0),
    )


class _Singles(NamedTuple):
    """Everything that may be the first of two sources; see `Fit` and `Sources`.

    Attributes:
        leak_only: float64[B, P] dB. background: float64[B, P] powers.
    """

    outside: F64
    outside_field: F64
    outside_price: F64
    sources: Sources
    passing: F64
    known: F64
    leak_only: F64
    background: F64


class _Two(NamedTuple):
    """A second source at each place and its first, arrays [B, P]; see `Fit`."""

    score: F64
    level: F64
    first: Ints
    first_passes: Bools


def _two_sources(heard: Heard, singles: _Singles, risen: Bools) -> _Two:
    """The best of any two sources, for each place.

    As the first is tried what fits best alone, what stands already, and what is loudest: of two leaks far
    apart a valve between them fits best alone.
    """
    either = np.maximum(singles.passing, singles.known)
    best = either.argmax(axis=1)
    rows = np.arange(len(best))
    best = np.where(either[rows, best] >= singles.outside, best, -1)
    two = _upon(heard, singles, risen, best)
    there = _highest(np.where(heard.standing | heard.known, either, IMPOSSIBLE), best)
    sound = np.where(either > IMPOSSIBLE / 2, singles.leak_only - heard.coupling, IMPOSSIBLE)
    loudest = _highest(sound, best)
    two = _or_upon(two, heard, singles, risen, there, there != best)
    return _or_upon(two, heard, singles, risen, loudest, (loudest != best) & (loudest != there))


def _highest(score: F64, otherwise: Ints) -> Ints:
    """Place of the highest score, int[B]; `otherwise` where none is possible."""
    return np.where(score.max(axis=1) > IMPOSSIBLE / 2, score.argmax(axis=1), otherwise)


def _or_upon(two: _Two, heard: Heard, singles: _Singles, risen: Bools, place: Ints, where: Bools) -> _Two:
    """`two`, or a second source upon the first at `place` (int[B]) where that is better."""
    rows = np.flatnonzero(where)
    if not len(rows):
        return two
    other = _upon(heard.of(rows), _some_singles(singles, rows), risen[rows], place[rows])
    better = other.score > two.score[rows]
    for mine, theirs in zip(two, other, strict=True):
        mine[rows] = np.where(better, theirs, mine[rows])
    return two


def _some_singles(singles: _Singles, rows: Ints) -> _Singles:
    """Some rows of all singles."""
    some = {name: array[rows] for name, array in singles._asdict().items() if name != "sources"}
    return _Singles(sources=Sources(*(array[rows] for array in singles.sources)), **some)


def _upon(heard: Heard, singles: _Singles, risen: Bools, place: Ints) -> _Two:
    """A second source upon the first at `place` (int[B], -1 for noise from outside)."""
    rows, at, valve = np.arange(len(place)), np.maximum(place, 0), place >= 0
    passing, known = singles.passing[rows, at], singles.known[rows, at]
    first = _first(heard, singles, place)
    candidates = heard.may_pass & risen & stands_over_neighbours(heard, singles.leak_only, place)
    candidates[rows[valve], at[valve]] = False
    both, level = second_source(heard, first, singles.background, candidates)
    noise = np.where(singles.outside > IMPOSSIBLE / 2, -singles.outside_price, IMPOSSIBLE)
    base = np.where(valve, np.maximum(passing, known) - first.score, noise)
    new = valve & ~(heard.standing | heard.known)[rows, at]
    begins = PRICE_SECOND + np.where(new, PRICE_AT_ONCE, 0.0)[:, None]
    price = np.where(heard.standing, PRICE_STANDING, begins)
    score = np.where(both > IMPOSSIBLE / 2, base[:, None] + both - price, IMPOSSIBLE)
    shape = score.shape
    passes = np.broadcast_to((valve & (passing >= known))[:, None], shape).copy()
    return _Two(score, level, np.broadcast_to(place[:, None], shape).copy(), passes)


def _first(heard: Heard, singles: _Singles, place: Ints) -> First:
    """The source at `place` as the first of two; noise from outside where that is -1."""
    rows, at, sources = np.arange(len(place)), np.maximum(place, 0), singles.sources
    valve = place >= 0
    choose = valve[:, None]
    return First(
        place,
        np.where(valve, sources.score[rows, at] + sources.price[rows, at], 0.0),
        np.where(choose, sources.field[rows, at], singles.outside_field),
        np.where(choose, sources.most[rows, at], singles.outside_field),
        np.where(choose, sources.most_sd[rows, at], heard.coupling_sd),
    )


def _even_shift(heard: Heard) -> tuple[F64, F64]:
    rise = np.where(heard.use, heard.level - heard.background, np.nan)
    shift = np.where(heard.use.sum(axis=1) > 1, row_median(rise, 0.0), 0.0)
    score = total_score(channel_score(heard, heard.background + shift[:, None], heard.scale), heard.use)
    return score - 0.5 * (shift / SHIFT_SD_DB) ** 2, shift


def _unexplained(heard: Heard) -> F64:
    """An operating condition not known: each channel stayed or moved by an amount of its own, even odds."""
    rise = heard.level - heard.background
    sd = np.sqrt(heard.scale**2 + OWN_CHANGE_DB**2)
    stayed = -0.5 * (rise / heard.scale) ** 2 - np.log(heard.scale)
    moved = -0.5 * (rise / sd) ** 2 - np.log(sd)
    return total_score(np.logaddexp(stayed, moved) - np.log(2.0), heard.use) - PRICE_UNEXPLAINED


def _goes_on(heard: Heard, sources: Sources, power_background: F64, risen: Bools) -> F64:
    """A source that is there already goes on, and something comes that is no leak, float64[B, P].

    Noise from outside, an even shift or an operating condition not known, over what the open or passing valve
    brings. Without it every change in such a group would have to be a second source.
    """
    score = np.full(risen.shape, IMPOSSIBLE)
    b, k = np.nonzero((heard.known | heard.standing) & risen & (sources.score > IMPOSSIBLE / 2))
    if not len(b):
        return score
    rows = np.arange(len(b))
    field, sd = sources.field[b, k], heard.loss_sd[b, k]
    most = np.maximum(field, sources.most[b, k])
    over = heard.level[b] > level_of(power_background[b] + most)
    field, sd = np.where(over, most, field), np.where(over, sources.most_sd[b, k], sd)
    total = power_background[b] + field
    use = heard.use[b].copy()
    use[rows, k] = False  # its own level is read off
    rest = heard.of(b)._replace(
        background=level_of(total), use=use,
        scale=np.sqrt(heard.scale[b] ** 2 + (field / total * sd) ** 2),
    )  # fmt: skip
    beyond = level_of(np.maximum(power_of(rest.level) - total, 0.0))
    shift = _even_shift(rest)[0] - PRICE_SHIFT
    comes = np.maximum.reduce([_outside(rest, beyond, total)[0], shift, _unexplained(rest)])
    price = PRICE_MEANWHILE + np.log(heard.scale[b, k]) + sources.price[b, k]
    score[b, k] = comes - price - np.where(heard.standing[b, k], PRICE_STANDING, PRICE_KNOWN)
    return score


def _alone(heard: Heard, by_channel: F64, nothing: F64, price: F64) -> F64:
    """One channel reads high by itself, be it its sensor or something beside it; all others at background.

    A loud leak must be heard by its neighbours: where they hear nothing of it, this fits better.
    """
    gained = np.where(heard.use, -np.log(heard.scale) - by_channel, -np.inf).max(axis=1)
    return np.asarray(nothing + np.maximum(gained, 0.0) - PRICE_ALONE - price, np.float64)


def _field_channel(heard: Heard, field: F64, field_sd: F64, power_background: F64) -> F64:
    """Log-likelihood of each channel under a field of powers, uncertain by `field_sd` (float64[B, P] dB)."""
    total = power_background + field
    share = field / total
    sd = np.sqrt(heard.scale**2 + (share * field_sd) ** 2)
    return even_score(heard, level_of(total), sd)


def _outside(
    heard: Heard, leak_only: F64, power_background: F64
) -> tuple[F64, F64, npt.NDArray[np.int8], F64]:
    """Noise carried along from either end or heard everywhere: best score, its field, where from, price."""
    risen = heard.use & (heard.level - heard.background > 1.0)
    last = heard.carried.max(axis=1, keepdims=True, where=heard.use, initial=0.0)
    lost = SHARE_OF[:, None, None] * np.stack([heard.carried, last - heard.carried])[END_OF] - heard.coupling
    level = row_median(np.where(risen, leak_only + lost, np.nan), SILENT_DB)
    field = power_of((level[:, None] + ABOUT_DB[:, None])[..., None] - lost[:, None])
    by_channel = _field_channel(heard, field, heard.coupling_sd, power_background)
    price = _outside_price(heard, leak_only, risen)
    priced = np.where(SHARE_OF > 0, PRICE_CARRIED, 0.0)[:, None, None]
    score = (total_score(by_channel, heard.use) - price - priced).reshape(-1, len(leak_only))
    best = np.where(np.isnan(score), -np.inf, score).argmax(axis=0)
    rows = np.arange(len(leak_only))
    possible = score[best, rows] > IMPOSSIBLE
    way = best // len(ABOUT_DB)
    come_from = np.where(possible & (SHARE_OF[way] > 0), FIRST_END + END_OF[way], 0).astype(np.int8)
    best_field = np.where(possible[:, None], field.reshape(-1, *leak_only.shape)[best, rows], 0.0)
    enough = possible & (risen.sum(axis=1) >= 2)
    best_price = price + np.where(come_from > 0, PRICE_CARRIED, 0.0)
    return np.where(enough, score[best, rows], IMPOSSIBLE), best_field, come_from, best_price


def _outside_price(heard: Heard, leak_only: F64, risen: Bools) -> F64:
    """Dear unless a reference point hears about as much as the loudest channel, float64[B]."""
    loud = np.where(risen, leak_only - heard.coupling, -np.inf)
    at_reference = np.where(heard.reference, loud, -np.inf).max(axis=1)
    told = np.isfinite(at_reference) & (at_reference >= loud.max(axis=1) - REFERENCE_TOLERANCE_DB)
    return np.where(told, PRICE_OUTSIDE_AT_REFERENCE, PRICE_OUTSIDE)


def expected_level(
    heard: Heard, found: Fit, chosen: Ints, kind: npt.NDArray[np.uint8], place: npt.NDArray[np.intp]
) -> F64:
    """Level that the winning explanation expects at each place, float64[chosen, P].

    Args:
        chosen: rows of `heard`. kind, place: the winning explanation of each and where its source sits.
    """
    background = power_of(heard.background[chosen])
    rows = np.arange(len(chosen))
    at = np.maximum(place, 0)
    first = found.first[chosen, at]
    one = found.source_field[chosen, at]
    base = np.where(
        (first >= 0)[:, None], found.source_field[chosen, np.maximum(first, 0)], found.outside_field[chosen]
    )
    added = power_of(found.second_level[chosen, at][:, None] - heard.loss[chosen, at])
    field = np.zeros_like(background)
    single = among(kind, (Explanation.OPEN_VALVE, Explanation.ONE_PASSING))
    field[single] = one[single]
    two = kind == Explanation.TWO_PASSING
    field[two] = (base + added)[two]
    outside = kind == Explanation.OUTSIDE_NOISE
    field[outside] = found.outside_field[chosen][outside]
    level = level_of(background + field)
    shifted = kind == Explanation.EVEN_SHIFT
    level[shifted] += found.shift_db[chosen][shifted, None]
    unexplained = kind == Explanation.UNEXPLAINED
    level[unexplained] = heard.level[chosen][unexplained]
    return np.asarray(level[rows])
