"""Does what a group hears since a sudden change come from one place, or has every channel a sound of its own?

A passing valve is one source: its neighbours hear the same sound, so their levels rise and fall together, and
what is left of the difference between two of them is the unrest of the backgrounds underneath, which the
louder sound covers. Flow that has changed everywhere (a pump, a by-pass, another product) hisses at each
place by itself: there the levels of two channels stay as independent of each other as their backgrounds
always were. A machine may do either; so this speaks for or against a leak, and never alone.

Where nobody else hears the sound, only its steadiness is left: a jet through a seat is steady, and covers an
unsteady background.

An operating condition switches within minutes; a leak may begin as suddenly, but more often it grows. So all
this, and the history of the group, is asked only of changes that came suddenly.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.signal.percentiles import medians

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

BINS = 16
"""Moments of a window at which channels are compared, at most."""
FEWEST = 5
"""Moments that both of two channels have to have been heard at."""
CLIP_SPREADS = 1.0
CLIP_DB = 1.0
"""A knock is no unrest: levels further than this from the middle (usual spread, and dB) are drawn in."""
SD_PER_SPREAD = 1.0 / 2.4
"""Standard deviation for the spread L10 - L90 of a dozen normal values (2.56 of very many)."""
MEASURED_DB = 0.4
"""Unrest of two measurements of one level (common practice, no source)."""
OWN_UNREST_DB = 0.5
"""How unsteady the hiss of a leak itself may be within a window (common practice, no source)."""
HEARD_DB = 2.5
"""Rise from which a neighbour says something of the sound that has come."""
LOG_SD = 0.8
"""How far the variance of a window may be off, natural logarithm: a dozen values and what they hide."""
MOST_FOR, MOST_AGAINST = 4.0, 1.5
"""What unrest can say at most, natural log of a likelihood ratio. Against one source it says less: sensors
may be noisy themselves."""
USUAL_A_DAY = 1.0 / 40.0
"""New operating conditions of a group in a day at which the price of an unexplained change stands."""
HALF_A_TIME = 0.5
"""Jeffreys' prior of a Poisson rate: before anything has come, half a time is counted."""
RAREST, COMMONEST = -3.0, 3.0


class Moved(NamedTuple):
    """Groups in which something has changed suddenly; G groups, n of them changed, P places.

    Attributes:
        row: int[G], which row a group has, -1 without a sudden change.
        novelty: float64[n] log-odds of a new operating condition, against a group where these are as usual.
        apart: float64[n, P, P] variance of the difference of two channels' levels within the window, dB²; on
            the diagonal that of the level itself. NaN where not known.
        usual: float64[n, P] usual variance of each level within a window, dB².
    """

    row: Ints
    novelty: F64
    apart: F64
    usual: F64

    def of(self, groups: Ints) -> Own:
        """The same for some groups (int[B])."""
        row = self.row[groups]
        if not len(self.novelty):
            return nothing_moved(len(groups), self.usual.shape[1])
        at, there = np.maximum(row, 0), row >= 0
        return Own(
            np.where(there, self.novelty[at], 0.0),
            np.where(there[:, None, None], self.apart[at], np.nan),
            self.usual[at],
        )


class Own(NamedTuple):
    """Rows of `Moved`, float64[B], float64[B, P, P], float64[B, P]; novelty 0 and NaN where nothing moved."""

    novelty: F64
    apart: F64
    usual: F64


def nothing_moved(rows: int, places: int) -> Own:
    """For rows in which nothing has changed suddenly."""
    return Own(np.zeros(rows), np.full((rows, places, places), np.nan), np.zeros((rows, places)))


def novelty(times: npt.NDArray[np.integer], days: F64) -> F64:
    """Log-odds of a new operating condition in groups where one turned up `times` in `days`.

    The posterior mean of a Poisson rate under Jeffreys' prior: a group that was heard for two days only may
    have any number of conditions not heard yet; one that showed none in a year hardly has another; one that
    has just shown two probably has a third.
    """
    rate = (times + HALF_A_TIME) / np.maximum(days, 1.0)
    return np.asarray(np.clip(np.log(rate / USUAL_A_DAY), RAREST, COMMONEST), np.float64)


def unrest(age_us: I64, level: F64, valid: Bools, width_us: I64, usual_spread: F64) -> F64:
    """How levels move within the window, together or apart: see `Moved.apart`; float64[n, P, P] dB².

    Args:
        age_us: int64[n, P, S] how long ago each slot was. level: float64[n, P, S] dB. valid: bool[n, P, S].
        width_us: int64[n] how far apart the slowest channel of a group measures.
        usual_spread: float64[n, P] dB.
    """
    aligned = _aligned(age_us, level, valid, width_us)
    middle = medians(aligned)
    reach = CLIP_SPREADS * np.nan_to_num(usual_spread, nan=1.0) + CLIP_DB
    off = np.clip(aligned - middle[:, :, None], -reach[:, :, None], reach[:, :, None])
    heard = (~np.isnan(off)).astype(np.float64)
    off = np.nan_to_num(off)
    both = heard @ heard.transpose(0, 2, 1)
    count = np.maximum(both, 1.0)
    product = off @ off.transpose(0, 2, 1) / count
    # means and squares of each channel over the moments that the other heard as well
    mean = off @ heard.transpose(0, 2, 1) / count
    square = (off**2) @ heard.transpose(0, 2, 1) / count
    variance = square + square.transpose(0, 2, 1) - 2.0 * product - (mean - mean.transpose(0, 2, 1)) ** 2
    own = np.einsum("nii->ni", square) - np.einsum("nii->ni", mean) ** 2
    places = np.arange(level.shape[1])
    variance[:, places, places] = own
    enough = both >= FEWEST
    return np.where(enough, np.maximum(variance, 0.0) * count / np.maximum(count - 1.0, 1.0), np.nan)


def _aligned(age_us: I64, level: F64, valid: Bools, width_us: I64) -> F64:
    """Latest level of each channel within each stride of the window, float64[n, P, BINS], NaN where none."""
    stride = np.asarray(age_us // np.maximum(width_us, 1)[:, None, None])
    n, p, s = np.nonzero(valid & (stride < BINS) & ~np.isnan(level))
    where, age = (n, p, stride[n, p, s]), age_us[n, p, s]
    latest = np.full((*level.shape[:2], BINS), np.iinfo(np.int64).max)
    np.minimum.at(latest, where, age)
    mine = latest[where] == age
    found = np.full(latest.shape, np.nan)
    found[n[mine], p[mine], where[2][mine]] = level[n[mine], p[mine], s[mine]]
    return found


def one_source_ratio(own: Own, rise: F64, use: Bools) -> F64:
    """Log-likelihood ratio of one source at each place against sounds of their own, float64[B, P].

    Each place is compared with its loudest neighbour that hears something, else with itself.

    Args:
        rise: float64[B, P] dB over the background. use: bool[B, P].
    """
    places = np.arange(rise.shape[1])
    covered = np.power(10.0, -0.2 * np.maximum(rise, 0.0)) * own.usual  # background's share of what is heard
    other = np.broadcast_to(np.where(use & (rise >= HEARD_DB), rise, -np.inf)[:, None, :], own.apart.shape)
    other = np.where(np.isnan(own.apart), -np.inf, other).copy()
    other[:, places, places] = -np.inf
    best = other.argmax(axis=2)
    rows = np.arange(len(rise))[:, None]
    pair = np.isfinite(other[rows, places, best])
    heard = np.where(pair, own.apart[rows, places, best], own.apart[rows, places, places])
    one = covered + np.where(pair, covered[rows, best], OWN_UNREST_DB**2)
    many = own.usual + np.where(pair, own.usual[rows, best], 0.0)
    low, high = (np.log(v + MEASURED_DB**2) for v in (one, many))
    with np.errstate(invalid="ignore"):
        told = np.clip(np.log(heard + MEASURED_DB**2), np.minimum(low, high), high)
        ratio = ((told - high) ** 2 - (told - low) ** 2) / (2.0 * LOG_SD**2)
    return np.where(np.isnan(heard) | (high <= low) | ~use, 0.0, np.clip(ratio, -MOST_AGAINST, MOST_FOR))
