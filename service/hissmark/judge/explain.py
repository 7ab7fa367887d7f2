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
- unexplained: every channel moved by an amount of its own.

More noise than predicted needs a cause and is punished without bound; less than predicted (a source that
couples badly, a pipe that damps better than thought) is common and costs little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge.verdicts import Explanation

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

IMPOSSIBLE = -1e6
SILENT_DB = -120.0
LOSS_FACTORS = np.array([0.4, 0.65, 1.0, 1.6, 2.5])
"""Losses are fitted within these multiples of what is expected."""
LOSS_FACTOR_PRICE = 0.5 * (np.log(LOSS_FACTORS) / 0.6) ** 2
CARRIED = np.array([0.0, 0.15, 0.3])
"""Share of the structural loss that noise carried along by the fluid suffers."""
LOUD_KNEE = 5.0
LEARNED_SHARE = 0.6
"""Share of its variance before learning below which a loss counts as learned."""
OWN_CHANGE_DB = 6.0
SHIFT_SD_DB = 4.0

PRICE_SHIFT = 1.5
PRICE_OUTSIDE = 7.0
PRICE_OUTSIDE_AT_REFERENCE = 3.5
"""Noise from outside is cheap to believe only where a reference point hears it as loud as any channel."""
REFERENCE_TOLERANCE_DB = 3.0
PRICE_KNOWN = 0.5
PRICE_PASSING = 5.5
PRICE_SECOND = 6.5
PRICE_BESIDE_KNOWN = 4.0
"""Added for a passing valve while another of the group is open or has just moved: that one is loud."""
PRICE_UNEXPLAINED = 5.0


class Heard(NamedTuple):
    """What B groups hear, P places each (a group appears once per baseline mode that is tried).

    Attributes:
        level, background, scale: float64[B, P] dB. use: bool[B, P] channels that take part.
        may_pass: bool[B, P] closed valves under test. known: bool[B, P] open or just stroked valves.
        reference: bool[B, P] reference points.
        loss, loss_sd, louder_sd, prior_loss, free: float64[B, P, P], see `Acoustics`.
        coupling, coupling_sd, carried: float64[B, P], likewise.
    """

    level: F64
    background: F64
    scale: F64
    use: Bools
    may_pass: Bools
    known: Bools
    reference: Bools
    loss: F64
    loss_sd: F64
    louder_sd: F64
    prior_loss: F64
    free: F64
    coupling: F64
    coupling_sd: F64
    carried: F64


@dataclass(frozen=True, slots=True)
class Fit:
    """Scores (log-likelihood less price) of every explanation; larger is better.

    Attributes:
        nothing, shift, outside, unexplained: float64[B].
        known: float64[B, P] a known source at each place. passing: float64[B, P] one passing valve there.
        second: float64[B, P] a passing valve there besides the best first source.
        first: int[B] place of that first source, -1 where it is noise from outside.
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


def fit(heard: Heard) -> Fit:
    """Score every explanation of what `heard` holds."""
    power_background = _power(heard.background)
    leak_only = _level(np.maximum(_power(heard.level) - power_background, 0.0))
    nothing = _total(_channel(heard, heard.background, heard.scale), heard.use)
    shift, shift_db = _even_shift(heard)
    outside, outside_field, outside_from = _outside(heard, leak_only, power_background)
    source, source_field = _one_source(heard, leak_only, power_background)
    risen = heard.use & (heard.level - heard.background > 0.5)
    price = np.log(np.maximum(heard.use.sum(axis=1), 1))[:, None]
    beside = np.where(heard.known.any(axis=1), PRICE_BESIDE_KNOWN, 0.0)[:, None]
    passing = np.where(heard.may_pass & risen, source - PRICE_PASSING - price - beside, IMPOSSIBLE)
    known = np.where(heard.known & risen, source - PRICE_KNOWN, IMPOSSIBLE)
    rows = np.arange(len(nothing))
    either = np.maximum(passing, known)
    best = either.argmax(axis=1)
    by_source = either[rows, best] >= outside
    field = np.where(by_source[:, None], source_field[rows, best], outside_field)
    field_sd = np.where(by_source[:, None], heard.loss_sd[rows, best], heard.coupling_sd)
    base = np.where(by_source, either[rows, best], outside)
    first = np.where(by_source, best, -1)
    second, second_level = _second_source(heard, field, field_sd, power_background)
    peak = _stands_over_neighbours(heard, leak_only, first)
    gained = second - _total(_field_channel(heard, field, field_sd, power_background), heard.use)[:, None]
    second = np.where(
        heard.may_pass & risen & peak & (second > IMPOSSIBLE / 2),
        base[:, None] + gained - PRICE_SECOND,
        IMPOSSIBLE,
    )
    second[rows[by_source], best[by_source]] = IMPOSSIBLE
    return Fit(
        nothing,
        shift - PRICE_SHIFT,
        outside,
        _unexplained(heard) - PRICE_UNEXPLAINED,
        known,
        passing,
        second,
        first,
        by_source & (passing[rows, best] >= known[rows, best]),
        shift_db,
        source_field,
        outside_field,
        second_level,
        outside_from,
    )


def _power(level_db: F64) -> F64:
    return np.asarray(np.exp(level_db * 0.23025850929940458))


def _level(power: F64) -> F64:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-12)))


def _loss_of(z: F64) -> F64:
    """Price of a residual in standard deviations: too loud Huber, too quiet Student's t (4 degrees)."""
    loud = np.where(z < LOUD_KNEE, 0.5 * z * z, LOUD_KNEE * (z - 0.5 * LOUD_KNEE))
    quiet = 2.5 * np.log1p(0.25 * z * z)
    return np.asarray(np.where(z > 0, loud, np.minimum(0.5 * z * z, quiet)))


def _channel(heard: Heard, expected: F64, sd: F64) -> F64:
    """Log-likelihood of each channel (constants that all explanations share left out)."""
    return np.asarray(-_loss_of((heard.level - expected) / sd) - np.log(sd))


def _total(per_channel: F64, use: Bools) -> F64:
    return np.asarray(np.where(use, per_channel, 0.0).sum(axis=-1))


def _even_shift(heard: Heard) -> tuple[F64, F64]:
    rise = np.where(heard.use, heard.level - heard.background, np.nan)
    shift = np.where(heard.use.sum(axis=1) > 1, _row_median(rise, 0.0), 0.0)
    score = _total(_channel(heard, heard.background + shift[:, None], heard.scale), heard.use)
    return score - 0.5 * (shift / SHIFT_SD_DB) ** 2, shift


def _unexplained(heard: Heard) -> F64:
    sd = np.sqrt(heard.scale**2 + OWN_CHANGE_DB**2)
    z = (heard.level - heard.background) / sd
    return _total(-0.5 * z * z - np.log(sd), heard.use)


def _field_channel(heard: Heard, field: F64, field_sd: F64, power_background: F64) -> F64:
    """Log-likelihood of each channel under a field of powers, uncertain by `field_sd` (float64[B, P] dB)."""
    total = power_background + field
    share = field / total
    sd = np.sqrt(heard.scale**2 + (share * field_sd) ** 2)
    return _channel(heard, _level(total), sd)


def _outside(heard: Heard, leak_only: F64, power_background: F64) -> tuple[F64, F64, npt.NDArray[np.int8]]:
    """Noise carried along from either end or heard everywhere: best score, its field, where from."""
    best = np.full(len(leak_only), IMPOSSIBLE)
    best_field = np.zeros_like(leak_only)
    best_from = np.zeros(len(leak_only), np.int8)
    risen = heard.use & (heard.level - heard.background > 1.0)
    last = heard.carried.max(axis=1, keepdims=True, where=heard.use, initial=0.0)
    ends = ((0, heard.carried), (1, last - heard.carried))
    price = _outside_price(heard, leak_only, risen)
    for share in CARRIED:
        for end, along in ends if share else ends[:1]:
            lost = share * along - heard.coupling
            level = _row_median(np.where(risen, leak_only + lost, np.nan), SILENT_DB)
            for offset in (-2.0, 0.0, 2.0):
                field = _power(level[:, None] + offset - lost)
                score = _total(_field_channel(heard, field, heard.coupling_sd, power_background), heard.use)
                score = score - price - (0.7 if share else 0.0)
                better = score > best
                best = np.where(better, score, best)
                best_field = np.where(better[:, None], field, best_field)
                best_from = np.where(better, np.int8(1 + end if share else 0), best_from).astype(np.int8)
    enough = risen.sum(axis=1) >= 2
    return np.where(enough, best, IMPOSSIBLE), best_field, best_from


def _outside_price(heard: Heard, leak_only: F64, risen: Bools) -> F64:
    """Dear unless a reference point hears about as much as the loudest channel, float64[B]."""
    loud = np.where(risen, leak_only - heard.coupling, -np.inf)
    at_reference = np.where(heard.reference, loud, -np.inf).max(axis=1)
    told = np.isfinite(at_reference) & (at_reference >= loud.max(axis=1) - REFERENCE_TOLERANCE_DB)
    return np.where(told, PRICE_OUTSIDE_AT_REFERENCE, PRICE_OUTSIDE)


def _row_median(values: F64, empty: float) -> F64:
    ranked = np.sort(values, axis=1)
    count = np.maximum((~np.isnan(values)).sum(axis=1), 1)
    rows = np.arange(len(values))
    middle = 0.5 * (
        ranked[rows, (count - 1) // 2] + ranked[rows, np.minimum(count // 2, values.shape[1] - 1)]
    )
    return np.asarray(np.nan_to_num(middle, nan=empty), np.float64)


def _one_source(heard: Heard, leak_only: F64, power_background: F64) -> tuple[F64, F64]:
    """One source at each place: best score over the loss factors, float64[B, P], and its field [B, P, P].

    The source's level is read at its own sensor, so coupling makes every *other* channel uncertain. A loss
    may be much larger than thought but never negative: too loud leaves less room than too quiet.
    """
    stretch = (LOSS_FACTORS - 1.0)[None, None, :, None] * (heard.prior_loss * heard.free)[:, :, None, :]
    field = _power(leak_only[:, :, None, None] - heard.loss[:, :, None, :] - stretch)
    total = power_background[:, None, None, :] + field
    share = field / total
    own = np.eye(heard.use.shape[1], dtype=bool)[None, :, None, :]
    beyond = heard.level[:, None, None, :] - _level(total)
    sideways = np.where(beyond > 0, heard.louder_sd[:, :, None, :], heard.loss_sd[:, :, None, :])
    sd = np.sqrt(heard.scale[:, None, None, :] ** 2 + np.where(own, 0.0, share * sideways) ** 2)
    channel = np.where(heard.use[:, None, None, :], -_loss_of(beyond / sd) - np.log(sd), 0.0)
    score = channel.sum(axis=-1) - LOSS_FACTOR_PRICE * heard.free.max(axis=2)[:, :, None]
    factor = score.argmax(axis=2)
    b, p = np.indices(factor.shape)
    return score[b, p, factor], field[b, p, factor]


def _stands_over_neighbours(heard: Heard, leak_only: F64, first: Ints) -> Bools:
    """Where a second source may sit: above its next channel on the way to the first source, bool[B, P].

    Spill never grows along the pipe by more than the sensors' coupling allows, however it travels; so a
    level that its neighbour nearer to the source shares is spill. Next to the source itself, and where the
    loss from it has been learned, the fit decides.
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
    learned = (first >= 0) & (heard.free[rows, np.maximum(first, 0), place] < LEARNED_SHARE)
    return np.asarray((sound > spill) | learned, bool)


def _second_source(heard: Heard, field: F64, field_sd: F64, power_background: F64) -> tuple[F64, F64]:
    """A source at each place on top of `field` (float64[B, P] powers): score and its level, float64[B, P]."""
    beyond = _power(heard.level) - power_background - field
    level = _level(np.maximum(beyond, 0.0))
    stands_out = beyond > 0.5 * (power_background + field)
    added = _power(level[:, :, None] - heard.loss)
    total = (power_background + field)[:, None, :] + added
    own = np.eye(heard.use.shape[1], dtype=bool)[None]
    by_first = field[:, None, :] / total * field_sd[:, None, :]
    by_added = added / total * heard.loss_sd
    variance = np.where(own, 0.0, by_first**2 + by_added**2)
    sd = np.sqrt(heard.scale[:, None, :] ** 2 + variance)
    z = (heard.level[:, None, :] - _level(total)) / sd
    score = np.where(heard.use[:, None, :], -_loss_of(z) - np.log(sd), 0.0).sum(axis=-1)
    return np.where(stands_out, score, IMPOSSIBLE), level


def expected_level(
    heard: Heard, found: Fit, chosen: Ints, kind: npt.NDArray[np.uint8], place: npt.NDArray[np.intp]
) -> F64:
    """Level that the winning explanation expects at each place, float64[chosen, P].

    Args:
        chosen: rows of `heard`. kind, place: the winning explanation of each and where its source sits.
    """
    background = _power(heard.background[chosen])
    rows = np.arange(len(chosen))
    at = np.maximum(place, 0)
    first = found.first[chosen]
    one = found.source_field[chosen, at]
    base = np.where(
        (first >= 0)[:, None], found.source_field[chosen, np.maximum(first, 0)], found.outside_field[chosen]
    )
    added = _power(found.second_level[chosen, at][:, None] - heard.loss[chosen, at])
    field = np.zeros_like(background)
    single = np.isin(kind, (Explanation.OPEN_VALVE, Explanation.ONE_PASSING))
    field[single] = one[single]
    two = kind == Explanation.TWO_PASSING
    field[two] = (base + added)[two]
    outside = kind == Explanation.OUTSIDE_NOISE
    field[outside] = found.outside_field[chosen][outside]
    level = _level(background + field)
    shifted = kind == Explanation.EVEN_SHIFT
    level[shifted] += found.shift_db[chosen][shifted, None]
    unexplained = kind == Explanation.UNEXPLAINED
    level[unexplained] = heard.level[chosen][unexplained]
    return np.asarray(level[rows])
