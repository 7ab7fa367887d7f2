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

RATIO_LIMIT = 60.0
"""What one window can say at most."""
SETTLING = 2.0
"""Time constants of the average in one window."""
LOWEST = -6.0
HIGHEST = 40.0

PLAUSIBLE = 1.0
"""A ratio above minus this leaves a valve plausible: here, no other explanation is better."""


def persistence(lead_s: F32) -> F32:
    """Log-odds that time adds for a valve that has been a plausible source for `lead_s` seconds.

    Noise from outside, open valves and operating conditions come and go; a leak stays. About one unit in the
    first hour, two in six, three and a half in a day (common practice, no source).
    """
    return np.asarray(2.0 * np.log10(1.0 + lead_s / 1800.0), np.float32)


def likelihood_ratio(found: Fit) -> F64:
    """Natural log of the likelihood ratio of each valve, float64[B, P]; low where it cannot pass."""
    rows = np.arange(len(found.nothing))
    with_it = np.maximum(found.passing, found.second)
    is_first = np.zeros_like(with_it, bool)
    by_valve = (found.first >= 0) & found.first_passes
    is_first[rows[by_valve], found.first[by_valve]] = True
    with_it = np.where(is_first, np.maximum(with_it, found.second.max(axis=1)[:, None]), with_it)
    base = np.maximum.reduce(
        [found.nothing, found.shift, found.outside, found.unexplained, found.known.max(axis=1)]
    )
    others = np.maximum(best_other(found.passing), np.where(is_first, IMPOSSIBLE, best_other(found.second)))
    return np.where(with_it > IMPOSSIBLE / 2, with_it - np.maximum(base[:, None], others), -RATIO_LIMIT)


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
