"""What groups hear at one tick, as every explanation sees it, and the arithmetic that all explanations
share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.judge.own_sound import Own
from hissmark.signal.percentiles import medians

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

IMPOSSIBLE = -1e6
LOUD_KNEE = 5.0


class Heard(NamedTuple):
    """What B groups hear, P places each (a group appears once per baseline mode that is tried).

    Attributes:
        level, background, scale: float64[B, P] dB. use: bool[B, P] channels that take part.
        may_pass: bool[B, P] closed valves under test. known: bool[B, P] open or just stroked valves.
        reference: bool[B, P] reference points.
        loss, loss_sd, louder_sd, prior_loss, free: float64[B, P, P], see `Acoustics`.
        coupling, coupling_sd, carried: float64[B, P], likewise.
        ceiling: float64[B, P, P] spill relative to its source at most, dB, see `SpillCeilings`.
        standing: bool[B, P] valves already said to pass.
        unheard: bool[B, P] valves whose own sensor is not heard, not to be believed, or has no baseline yet.
        unknown: float64[B, K, K] covariance of couplings and steps, see `Acoustics`.
        own: what a sudden change sounds like; None where nothing has changed suddenly.
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
    ceiling: F64
    standing: Bools
    unheard: Bools
    unknown: F64
    own: Own | None = None

    def of(self, rows: Ints) -> Heard:
        """Some rows, without the sound of a sudden change: that is weighed once for all explanations."""
        return Heard(**{name: array[rows] for name, array in self._asdict().items() if name != "own"})


def power_of(level_db: F64) -> F64:
    return np.asarray(np.exp(level_db * 0.23025850929940458))


def level_of(power: F64) -> F64:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-12)))


def loud_loss(z: F64) -> F64:
    """Huber's price of a residual in standard deviations, where too much of it is what counts."""
    return np.asarray(np.where(z < LOUD_KNEE, 0.5 * z * z, LOUD_KNEE * (z - 0.5 * LOUD_KNEE)))


def loss_of(z: F64) -> F64:
    """Price of a residual in standard deviations: too loud Huber, too quiet Student's t (4 degrees)."""
    loud = loud_loss(z)
    quiet = 2.5 * np.log1p(0.25 * z * z)
    return np.asarray(np.where(z > 0, loud, np.minimum(loud, quiet)))


def channel_score(heard: Heard, expected: F64, sd: F64) -> F64:
    """Log-likelihood of each channel (constants that all explanations share left out)."""
    return np.asarray(-loss_of((heard.level - expected) / sd) - np.log(sd))


def even_score(heard: Heard, expected: F64, sd: F64) -> F64:
    """The same where nothing excuses a channel that hears too little: Huber both ways."""
    return np.asarray(-loud_loss(np.abs(heard.level - expected) / sd) - np.log(sd))


def total_score(per_channel: F64, use: Bools) -> F64:
    return np.asarray(np.where(use, per_channel, 0.0).sum(axis=-1))


def row_median(values: F64, empty: float) -> F64:
    middle = medians(values)
    return np.asarray(np.where(np.isnan(middle), empty, middle), np.float64)
