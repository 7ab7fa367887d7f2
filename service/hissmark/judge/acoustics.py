"""What each group's pipework does to sound, learned: coupling of every sensor, loss of every step.

A source at place k is heard at place i with ``level_i - level_k = c_i - c_k - (steps between)``, where c is
how well a sensor couples (dB, a couple of dB either way) and a step is the loss from one place to the next.
Both start from priors (the register's distances and joints). Every valve that opens is a known source, and
the group's response is a measurement of these sums: a linear Gaussian update, exact, with the uncertainty
that remains. After a few strokes a leak's profile is known to a decibel, coupling included.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.judge.geometry import Geometry

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]

NOISE_DB = 1.2
"""Scatter of one measured response (one standard deviation), the valve's own sound being what it is."""
SMALLEST_STEP_DB = 0.2
SURPRISE_SD = 4.0
"""A response further than this from what was expected has another cause: nothing is learned from it."""
NEIGHBOUR_SD_DB = 5.0
NEIGHBOUR_WEIGHT = 3.0
"""How much the true backgrounds of neighbours usually differ, and how many pairs that counts for (common
practice, no source)."""
SMALLEST_NEIGHBOUR_SD_DB = 2.0


class Acoustics:
    """Mean and covariance of coupling and steps of G groups with P places: K = P + (P - 1) unknowns each.

    Attributes:
        mean: float64[G, K]; covariance: float32[G, K, K].
        loss_db: float64[G, P, P] expected ``level_k - level_i`` for a source at k, coupling included.
        loss_sd_db: float64[G, P, P] how uncertain that is; louder_sd_db: the same towards less loss (a step
            cannot be negative). prior_loss_db: float64[G, P, P] structural part before learning, free:
            float64[G, P, P] share of the prior's variance that is left (1 before learning).
        coupling_db, coupling_sd_db: float64[G, P].
    """

    STATE_GROUP = ("mean", "covariance", "measured", "background_heard")

    def __init__(self, geometry: Geometry, coupling_db: float) -> None:
        groups, places = geometry.place.shape
        self._places = places
        self._prior_coupling_db = max(coupling_db, 0.1)
        self._sums = spill_sums(places)
        self.mean: F64 = np.concatenate((np.zeros((groups, places)), geometry.step_db[:, 1:]), axis=1).astype(
            float
        )
        sd = np.concatenate(
            (np.full((groups, places), coupling_db), np.maximum(geometry.step_sd_db[:, 1:], 0.1)), axis=1
        )
        self.covariance = np.einsum("gk,kl->gkl", sd**2, np.eye(sd.shape[1])).astype(np.float32)
        self.measured: npt.NDArray[np.int32] = np.zeros(groups, np.int32)
        self.background_heard: npt.NDArray[np.bool_] = np.zeros(groups, bool)
        shape = (groups, places, places)
        self.loss_db, self.loss_sd_db, self.louder_sd_db = (np.zeros(shape) for _ in range(3))
        self.coupling_db, self.coupling_sd_db = np.zeros((groups, places)), np.zeros((groups, places))
        self.carried_db: F64 = np.zeros((groups, places))
        self.prior_loss_db = geometry.loss_db.astype(np.float64)
        self.free = np.ones(shape)
        self.refresh(np.arange(groups))
        self._prior_sd = self.loss_sd_db.copy()
        self._prior = self.mean.copy(), self.covariance.copy()

    def forget(self, group: int) -> None:
        """Back to what the register says; the group's losses and couplings are learned anew."""
        self.mean[group], self.covariance[group] = self._prior[0][group], self._prior[1][group]
        self.measured[group] = 0
        self.background_heard[group] = False
        self.refresh(np.array([group]))

    def take_over(
        self, saved: dict[str, npt.NDArray[Any]], new: npt.NDArray[np.intp], old: npt.NDArray[np.intp]
    ) -> None:
        """What was learned of groups `old` of a saved state becomes that of groups `new`.

        The saved state may be padded to another largest group; beyond a group's own size nothing is learned.
        A group of which nothing was learned stays as the register says.

        Args:
            saved: arrays by the names in `STATE_GROUP`.
        """
        heard = saved.get("background_heard", np.zeros(len(saved["measured"]), bool))
        learned = (saved["measured"][old] > 0) | heard[old]
        new, old = new[learned], old[learned]
        saved_places = (saved["mean"].shape[1] + 1) // 2
        both = min(saved_places, self._places)
        here, there = _unknowns(self._places, both), _unknowns(saved_places, both)
        self.mean[np.ix_(new, here)] = saved["mean"][np.ix_(old, there)]
        self.covariance[np.ix_(new, here, here)] = saved["covariance"][np.ix_(old, there, there)]
        self.measured[new] = saved["measured"][old]
        self.background_heard[new] = heard[old]

    def refresh(self, groups: npt.NDArray[np.intp]) -> None:
        """Work out the derived arrays of some groups anew."""
        places, sums = self._places, self._sums
        mean, covariance = self.mean[groups], self.covariance[groups].astype(np.float64)
        self.loss_db[groups] = -np.einsum("kij,gj->gki", sums, mean)
        variance = np.einsum("kij,gjl,kil->gki", sums, covariance, sums, optimize=True)
        coupling, steps = sums[:, :, :places], sums[:, :, places:]
        by_coupling = np.einsum(
            "kij,gjl,kil->gki", coupling, covariance[:, :places, :places], coupling, optimize=True
        )
        by_steps = np.einsum("kij,gjl,kil->gki", steps, covariance[:, places:, places:], steps, optimize=True)
        structural = -np.einsum("kij,gj->gki", steps, mean[:, places:])
        self.loss_sd_db[groups] = np.sqrt(np.maximum(variance, 0.01))
        bounded = by_coupling + np.minimum(by_steps, (0.5 * structural) ** 2)
        self.louder_sd_db[groups] = np.sqrt(np.maximum(np.minimum(variance, bounded), 0.01))
        self.coupling_db[groups] = mean[:, :places]
        self.coupling_sd_db[groups] = np.sqrt(np.einsum("gkk->gk", covariance)[:, :places])
        self.carried_db[groups] = np.concatenate(
            (np.zeros((len(mean), 1)), np.cumsum(np.maximum(mean[:, places:], 0.0), axis=1)), axis=1
        )
        if hasattr(self, "_prior_sd"):
            self.free[groups] = np.clip((self.loss_sd_db[groups] / self._prior_sd[groups]) ** 2, 0.0, 1.0)

    def coupling_free(self) -> F64:
        """Share of each sensor's coupling that is still unknown, float64[G, P] (1 before learning)."""
        return np.asarray(np.clip(self.coupling_sd_db / self._prior_coupling_db, 0.0, 1.0), np.float64)

    def unknown(self, groups: npt.NDArray[np.intp]) -> F64:
        """Covariance of couplings and steps of some groups, float64[B, K, K]."""
        return np.asarray(self.covariance[groups], np.float64)

    def of(self, groups: npt.NDArray[np.intp]) -> tuple[F64, F64, F64, F64, F64, F64, F64, F64]:
        """What `Heard` wants of some groups, in its order from `loss` on."""
        return (
            self.loss_db[groups], self.loss_sd_db[groups], self.louder_sd_db[groups],
            self.prior_loss_db[groups], self.free[groups], self.coupling_db[groups],
            self.coupling_sd_db[groups], self.carried_db[groups],
        )  # fmt: skip

    def measure(
        self, group: int, source: int, level_db: F64, use: npt.NDArray[np.bool_],
        weak: npt.NDArray[np.bool_], silent: npt.NDArray[np.bool_] | None = None,
    ) -> None:  # fmt: skip
        """Learn from a known source at place `source`.

        Args:
            level_db: float64[P] leak-only levels. use: bool[P] channels that hear it clearly.
            weak: bool[P] those that hear it only a little over their background.
            silent: bool[P] channels that do not hear it: `level_db` is the most that may have arrived there.
        """
        silent = np.zeros_like(use) if silent is None else silent
        mean, covariance = self.mean[group].copy(), self.covariance[group].astype(np.float64)
        for i in np.flatnonzero((use | silent) & (np.arange(len(use)) != source)):
            h = self._sums[source, i]
            noise = (2.5 if weak[i] or silent[i] else 1.0) * NOISE_DB
            beyond = level_db[i] - level_db[source] - h @ mean
            if not use[i] and beyond >= 0.0:
                continue  # expected to be still lower than could be heard: nothing new
            mean, covariance = _told(mean, covariance, h, beyond, noise)
        self._keep(group, mean, covariance)
        self.measured[group] += 1

    def hear_background(self, group: int, background_db: F64) -> None:
        """Take what the backgrounds of a group tell of its sensors' coupling, once.

        Neighbours stand in much the same background; where two read differently, part of it is their
        coupling. How big a part follows from how much the backgrounds of this group differ altogether. This
        is what makes the plain rule of the highest rise right where backgrounds are alike, and leak-only
        levels where not.

        Args:
            background_db: float64[P], NaN where nothing sits.
        """
        self.background_heard[group] = True
        known = np.flatnonzero(~np.isnan(background_db))
        if len(known) < 2:
            return
        step = np.diff(background_db[known])
        coupling = 2.0 * self._prior_coupling_db**2
        usual = NEIGHBOUR_WEIGHT * (NEIGHBOUR_SD_DB**2 + coupling)
        total = (float((step**2).sum()) + usual) / (len(step) + NEIGHBOUR_WEIGHT)
        noise = np.sqrt(max(total - coupling, SMALLEST_NEIGHBOUR_SD_DB**2))
        mean, covariance = self.mean[group].copy(), self.covariance[group].astype(np.float64)
        for i, k, difference in zip(known[1:], known[:-1], step, strict=True):
            h = np.zeros(len(mean))
            h[i], h[k] = 1.0, -1.0
            mean, covariance = _told(mean, covariance, h, difference - h @ mean, noise)
        self._keep(group, mean, covariance)

    def _keep(self, group: int, mean: F64, covariance: F64) -> None:
        mean[self._places :] = np.maximum(mean[self._places :], SMALLEST_STEP_DB)
        self.mean[group] = mean
        self.covariance[group] = 0.5 * (covariance + covariance.T)
        self.refresh(np.array([group]))


def _told(mean: F64, covariance: F64, h: F64, beyond: float, noise_db: float) -> tuple[F64, F64]:
    """One linear Gaussian update: a measurement of ``h @ unknowns`` that lies `beyond` what was expected."""
    variance = float(h @ covariance @ h) + noise_db**2
    if beyond**2 > SURPRISE_SD**2 * variance:
        return mean, covariance
    gain = covariance @ h / variance
    return mean + gain * beyond, covariance - np.outer(gain, h @ covariance)


def _unknowns(places: int, first: int) -> npt.NDArray[np.intp]:
    """Where the unknowns of the first few places stand: their couplings, then the steps between them."""
    return np.concatenate((np.arange(first), places + np.arange(first - 1)))


@lru_cache(maxsize=8)
def spill_sums(places: int) -> F64:
    """Coefficients of ``level_i - level_k`` in the unknowns, float64[k, i, K]."""
    sums = np.zeros((places, places, 2 * places - 1))
    for k in range(places):
        for i in range(places):
            if i == k:
                continue
            sums[k, i, i] += 1.0
            sums[k, i, k] -= 1.0
            sums[k, i, places + min(i, k) : places + max(i, k)] = -1.0
    return sums
