"""What the neighbours of a standing source have been heard to receive from it at most.

Between two places the loss is what it is: relative to its source, spill is never louder than it was at any
earlier moment of the same source. So while a valve passes or stands open, the lowest level that a channel
showed relative to it is a ceiling on all its later spill. What rises above the ceiling has another cause,
however little is known of the losses: this is how a second leak is told from the spill of a louder first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.judge.geometry import Geometry

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

LOWERING_S = 1800.0
"""Time constant with which a ceiling follows a lower level: one noisy window is no ceiling."""
KEEP_DB = 6.0
"""A source stays the one that ceilings are kept for until another is louder by more than this."""
NO_SPILL_SD = 3.0
"""Louder than expected by more than this many standard deviations of its loss is no spill."""
AUDIBLE_DB = 3.0
"""Rise from which a level says how much arrives, and not only how much at most (ISO 3746)."""
HIDDEN_DB = 3.0
"""Power further than this below the background cannot be excluded by any level."""


class SpillCeilings:
    """Ceilings of C channels under the standing source of each of G groups.

    Attributes:
        ceiling_db: float32[C] leak-only level relative to the source's, at most; NaN where not known.
        source: int32[G] place of the standing source in its group, -1 without one.
    """

    STATE_CHANNEL = ("ceiling_db",)
    STATE_GROUP = ("source",)

    def __init__(self, channels: int, groups: int) -> None:
        self.ceiling_db: F32 = np.full(channels, np.nan, np.float32)
        self.source: npt.NDArray[np.int32] = np.full(groups, -1, np.int32)

    def take(
        self, geometry: Geometry, groups: Ints, standing: Bools, level: F64, background: F64, scale: F64,
        use: Bools, loss: F64, loss_sd: F64, tick_s: float,
    ) -> None:  # fmt: skip
        """Take in one tick of some groups (rows of the arrays; P places each).

        Args:
            standing: bool[B, P] valves that pass or stand open, steady. level, background, scale: float64[B,
            P].
            use: bool[B, P] channels to be believed. loss, loss_sd: float64[B, P, P], see `Acoustics`.
        """
        place = geometry.place[groups]
        at_most = _at_most(level, background, scale)
        loud = np.where(standing & use, at_most, -np.inf)
        rows = np.arange(len(groups))
        before = self.source[groups]
        was_at, top = np.maximum(before, 0), loud.argmax(axis=1)
        stays = (before >= 0) & (loud[rows, was_at] >= loud[rows, top] - KEEP_DB)
        at = np.where(stays, was_at, top)
        now = np.where(np.isfinite(loud[rows, at]), at, -1).astype(np.int32)
        # a source that cannot be read for a moment is not gone
        waits = (before >= 0) & standing[rows, was_at] & ~use[rows, was_at]
        self._begin_anew(geometry, groups, (now != before) & ~waits, now)
        relative = at_most - at_most[rows, at][:, None]
        # what another source brings, or is too loud for any spill, is no ceiling
        too_loud = relative > NO_SPILL_SD * loss_sd[rows, at] - loss[rows, at]
        spill = ~standing & ~(too_loud & (level - background >= AUDIBLE_DB))
        self._lower(place, relative, use & spill & ((now >= 0) & ~waits)[:, None], tick_s)

    def _begin_anew(
        self, geometry: Geometry, groups: Ints, changed: Bools, now: npt.NDArray[np.int32]
    ) -> None:
        if not changed.any():
            return
        self.source[groups[changed]] = now[changed]
        place = geometry.place[groups[changed]]
        self.ceiling_db[place[place >= 0]] = np.nan

    def _lower(self, place: npt.NDArray[np.int32], relative: F64, use: Bools, tick_s: float) -> None:
        mine = use & (place >= 0)
        channel, now = place[mine], relative[mine]
        old = self.ceiling_db[channel]
        share = -np.expm1(-tick_s / LOWERING_S)
        lower = old + share * np.minimum(now - old, 0.0)
        self.ceiling_db[channel] = np.where(np.isnan(old), now, lower)

    def laid(self, geometry: Geometry, groups: Ints, audible: Bools) -> F64:
        """Ceilings as `Heard` wants them: float64[B, P, P] by source and place, +inf where none.

        What is known of the standing source bounds others too: all sound from one side of it to the other
        passes it, and what it sends through a place on to further ones is what that place would send on.

        Args:
            audible: bool[B, P] places that hear something now.
        """
        place = geometry.place[groups]
        laid = np.full((*place.shape, place.shape[1]), np.inf)
        source = self.source[groups]
        rows = np.flatnonzero(source >= 0)
        if not len(rows):
            return laid
        known = self.ceiling_db[np.maximum(place[rows], 0)].astype(np.float64)
        known = np.where((place[rows] >= 0) & ~np.isnan(known), known, np.inf)
        at = np.arange(place.shape[1])
        s, k, i = source[rows][:, None, None], at[None, :, None], at[None, None, :]
        across = ((k <= s) & (s < i)) | ((i < s) & (s <= k))
        onward = ((s < k) & (k < i)) | ((i < k) & (k < s))
        onward &= (audible[rows] & np.isfinite(known))[:, :, None]
        through = known[:, None, :] - np.where(np.isfinite(known), known, 0.0)[:, :, None]
        laid[rows] = np.where(across, known[:, None, :], np.where(onward, through, np.inf))
        return laid


def _at_most(level: F64, background: F64, scale: F64) -> F64:
    """The most that a source may bring to each channel, dB: what is over the background, noise allowed
    for."""
    with np.errstate(over="ignore"):
        power = np.power(10.0, 0.1 * (level + scale)) - np.power(10.0, 0.1 * background)
    hidden = background - HIDDEN_DB
    return np.asarray(np.maximum(10.0 * np.log10(np.maximum(power, 1e-12)), hidden))
