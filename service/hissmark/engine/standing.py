"""How each valve stands after a tick: its margin, whether it counts as passing, its verdict."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.engine.measuring import Signal
from hissmark.engine.retested import failing, note_tested
from hissmark.engine.state import F32, Bools, State
from hissmark.judge import evidence as ev
from hissmark.judge.group import Groups
from hissmark.judge.noiselimit import LARGEST, correlation, noise_limit
from hissmark.judge.verdict import NONE, Standing, give
from hissmark.judge.verdicts import Reason
from hissmark.signal.levels import RESOLVABLE_DIFFERENCE_DB, leak_only

NOT_HIGHEST = 6.0
"""Odds that a valve needs beyond the others' if its rise is not the highest."""
LONE_DB = 100.0
GROWS_DB_PER_H = 1.0
"""A source that becomes louder faster than this is heard together with something else."""


def time_leads(state: State, judged: Bools, ratio: F32) -> None:
    """How long each valve has been a plausible source; forgotten four times as fast as gathered."""
    tick_s = float(state.settings.signal.tick_s)
    changed = np.where(
        ratio > -ev.PLAUSIBLE, state.lead_s + tick_s, np.maximum(state.lead_s - 4 * tick_s, 0.0)
    )
    state.lead_s[judged] = changed[judged]


def rise_limits(state: State, scale: F32) -> F32:
    """Rise from which each channel may be called a leak, float32[channels] dB: the limit that is set, or what
    its own noise asks for under the false-alarm budget where that is more.

    `scale`: float32[channels] dB, of the baseline in the present operating condition.
    """
    limit = state.tuned.rise_limit_db
    with np.errstate(invalid="ignore"):
        noisy = np.flatnonzero((scale * LARGEST > limit) & (state.tuned.budget_per_year > 0))
    if not len(noisy):
        return limit
    own = scale[noisy]
    phi = correlation(state.baselines.usual_step[noisy], own)
    wanted = own * noise_limit(state.tuned.budget_per_year[noisy], state.settings.signal.tick_s, phi)
    limit = limit.copy()
    limit[noisy] = np.maximum(limit[noisy], wanted)
    return limit


def update_passing(
    state: State, on: Bools, rise: F32, margin: F32, limit: F32, judged: Bools, known: Bools
) -> None:
    """A valve counts as passing from enough evidence until evidence or rise are gone, or settings became
    stricter than what it stands on.

    `known`: bool[channels] whose group's sound came and went by itself before, see `passed`: nothing begins
    there.
    """
    deadband = state.tuned.deadband_db
    with np.errstate(invalid="ignore"):
        evidence = state.evidence
        # On a loud background a source rises less than its neighbours: the group's rise meets the limit.
        stands_out = (rise >= RESOLVABLE_DIFFERENCE_DB) & (highest_rise(state, rise) >= limit)
        enough = evidence >= wanted_odds(state, margin)
        begins = enough & stands_out & ~known
        ends = (evidence <= 0) | (rise < np.minimum(limit - deadband, RESOLVABLE_DIFFERENCE_DB) - 0.25)
    update = on & judged & state.valve
    if not state.retest.any():
        state.passing[update] = (begins | (state.passing & ~ends))[update]
        return
    why = failing(state, stands_out, enough)
    state.passing[update] = (begins | (state.passing & ~ends & (why == 0)))[update]
    note_tested(state, update, why)


def follow_sources(
    state: State, on: Bools, blocked: npt.NDArray[np.uint8], signal: Signal, groups: Groups
) -> None:
    """How loud each valve that passes is by itself: no louder than it was heard without anything else."""
    if not state.passing.any() and np.isnan(state.source_db).all():
        return
    clear = on & (blocked == NONE) & (signal.unsteady == NONE) & ~groups.masked
    growth = np.float32(GROWS_DB_PER_H * state.settings.signal.tick_s / 3600.0)
    level = np.fmin(signal.levels.low, state.source_db + growth)
    followed = np.where(clear, level, state.source_db)
    state.source_db = np.where(state.passing, followed, np.float32(np.nan)).astype(np.float32)


def wanted_odds(state: State, margin: F32) -> F32:
    """Evidence that each valve has to gather before it counts as passing, float32[channels].

    The highest steady rise marks the source; one that is not the highest needs far better evidence.
    """
    with np.errstate(invalid="ignore"):
        short = ~(margin >= wanted_margin(state))
    return np.asarray(state.tuned.odds_limit + np.where(short, NOT_HIGHEST, 0.0), np.float32)


def wanted_margin(state: State) -> F32:
    """Margin in dB that each channel needs; less where losses and coupling have been learned."""
    free = np.ones(len(state.valve), np.float32)
    place, present = state.geometry.place, state.geometry.present
    free[place[present]] = state.acoustics.coupling_free()[present]
    return np.asarray(state.tuned.margin_db * free, np.float32)


def highest_rise(state: State, rise: F32) -> F32:
    """The highest rise in each channel's group, float32[channels] dB; -inf where nothing is known."""
    highest = np.full(len(state.layout.group_names), -np.inf, np.float32)
    np.maximum.at(highest, state.layout.group_of, or_silence(rise))
    return highest[state.layout.group_of]


def verdicts_of(
    state: State,
    signal: Signal,
    blocked: npt.NDArray[np.uint8],
    rise: F32,
    scale: F32,
    margin: F32,
    groups: Groups,
    known: Bools,
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    of = state.layout.group_of
    judged = state.passing & (blocked == NONE)
    group_passes = state.groups_with(judged)
    with np.errstate(invalid="ignore"):
        material = rise > np.maximum(1.0, 2.0 * scale)
        limit = rise_limits(state, scale)
        above = rise >= limit
        # a limit far up, set or for the channel's noise, does not make a plain rise go unnoticed
        plain = np.maximum(RESOLVABLE_DIFFERENCE_DB, 2.0 * scale)
        noticeable = rise >= np.minimum(limit - state.tuned.deadband_db, plain)
    return give(
        Standing(
            state.valve,
            blocked,
            signal.unsteady,
            material,
            noticeable,
            above,
            judged,
            groups.leads,
            np.abs(groups.ratio) < state.tuned.margin_db,
            known & groups.leads,
            group_passes[of],
            groups.explanation[of],
            groups.reason[of],
            _source_reason(state, rise, margin, groups.masked),
        )
    )


def _source_reason(state: State, rise: F32, margin: F32, drowned: Bools) -> npt.NDArray[np.uint8]:
    """Whether the source shows the highest rise of its group, only the highest leak-only level, or neither:
    then it is blamed for the profile of the whole group, on far more evidence (`NOT_HIGHEST`). Of one that is
    `drowned` (bool[channels]) nothing shows."""
    with np.errstate(invalid="ignore"):
        loudest = margin >= 0
    by_level = np.where(loudest, Reason.HIGHEST_LEAK_ONLY_LEVEL, Reason.BEST_FIT_OF_THE_GROUP)
    plain = rise >= highest_rise(state, rise)
    heard = np.where(plain, Reason.HIGHEST_STEADY_RISE, by_level)
    return np.where(drowned, Reason.DROWNED_BY_OTHER_SOUND, heard).astype(np.uint8)


def margins_of(state: State, signal: Signal, baseline: F32, rise: F32, leads: Bools) -> F32:
    """How far each channel's leak-only level stands above the highest of the others in its group, dB.

    Learned coupling is taken off first, and of two sources neither stands against the other. Where
    nothing else stands out, the next explanation is that nothing leaks: the margin is the rise itself.
    """
    alone, _ = leak_only(signal.levels.low, baseline)
    power = or_silence(np.asarray(alone, np.float64))
    laid = np.asarray(state.geometry.spread(power, -np.inf), np.float64) - state.acoustics.coupling_db
    source = np.asarray(state.geometry.spread(leads, False), bool)
    spill = np.where(source, -np.inf, laid).max(axis=1, keepdims=True)
    others = np.where(source, spill, ev.best_other(laid))
    place, present = state.geometry.place, state.geometry.present
    margin = np.full(len(power), -np.inf)
    margin[place[present]] = laid[present] - others[present]
    lone = margin > LONE_DB
    margin = np.where(lone, rise, margin)
    return np.where(np.isfinite(margin), np.maximum(margin, -LONE_DB), np.nan).astype(np.float32)


def or_silence(values: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """NaN (nothing known) as -inf dB, so that it never is the highest."""
    return np.where(np.isnan(values), -np.inf, values)
