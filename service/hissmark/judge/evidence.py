"""Evidence for each valve, gathered over ticks: is it passing, against everything else that may explain.

One tick's log-likelihood ratio of a valve is the best explanation in which it passes against the best in
which it does not. Ratios are averaged over about half a window and bounded below: quick when the case is
plain, patient when it is not, and a long quiet past cannot make it deaf.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.judge.explain import Fit
from hissmark.judge.heard import IMPOSSIBLE

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

RATIO_LIMIT = 60.0
"""What one window can say at most."""
SETTLING = 2.0
"""Time constants of the average in one window."""
LOWEST = -6.0
HIGHEST = 40.0

PLAUSIBLE = 1.0
"""A ratio above minus this leaves a valve plausible: here, no other explanation is better."""


def persistence(lead_s: F32) -> F32:
    """Log-odds that time adds for a valve that has been a plausible source for `lead_s` seconds, against all
    that is no leak.

    Noise from outside, open valves and operating conditions come and go; a leak stays. About one unit in the
    first hour, two in six, three and a half in a day (common practice, no source). Which of two valves leaks,
    time does not tell: both would stay.
    """
    return np.asarray(2.0 * np.log10(1.0 + lead_s / 1800.0), np.float32)


def likelihood_ratio(found: Fit, patience: F64 | float = 0.0, holds: Bools | None = None) -> F64:
    """Natural log of the likelihood ratio of each valve, float64[B, P]; low where it cannot pass.

    Args:
        patience: float64[B, P], see `persistence`. holds: `pairs_with(found)`, if it is at hand.
    """
    holds = pairs_with(found) if holds is None else holds
    pair = np.broadcast_to(found.second[:, None, :], holds.shape)
    with_it = np.maximum(found.passing, np.where(holds, pair, IMPOSSIBLE).max(axis=2))
    base = np.maximum.reduce(
        [found.nothing, found.shift, found.outside, found.unexplained, found.known.max(axis=1)]
    )
    others = np.maximum(best_other(found.passing), np.where(holds, IMPOSSIBLE, pair).max(axis=2))
    return np.where(
        with_it > IMPOSSIBLE / 2, with_it - np.maximum(base[:, None] - patience, others), -RATIO_LIMIT
    )


def pairs_with(found: Fit) -> Bools:
    """Which pairs have a valve among their sources, bool[B, place of the valve, place of the second]."""
    place = np.arange(found.second.shape[1])
    as_first = (found.first[:, None, :] == place[None, :, None]) & found.first_passes[:, None, :]
    return np.asarray((place[:, None] == place[None, :])[None] | as_first, bool)


def best_other(scores: F64) -> F64:
    """For each place the best score among the *other* places, float64[B, P]."""
    if scores.shape[1] < 2:
        return np.full_like(scores, IMPOSSIBLE)
    top = scores.argmax(axis=1)
    rows = np.arange(len(scores))
    first = scores[rows, top]
    rest = scores.copy()
    rest[rows, top] = -np.inf
    result = np.repeat(first[:, None], scores.shape[1], axis=1)
    result[rows, top] = rest.max(axis=1)
    return np.asarray(np.maximum(result, IMPOSSIBLE))


def gather(evidence: F32, ratio: F64, share: F64) -> F32:
    """Take in one tick's ratio; `share` is the part of an independent window that the tick brings.

    An average over about half a window, not a sum: what makes a ratio wrong (coupling, losses, an unknown
    operating condition) is the same at every tick, so hearing it again is no further evidence.
    """
    weight = -np.expm1(-SETTLING * share)
    taken = evidence + weight * (np.clip(ratio, -RATIO_LIMIT, RATIO_LIMIT) - evidence)
    return np.asarray(np.clip(taken, LOWEST, HIGHEST), np.float32)
