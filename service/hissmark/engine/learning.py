"""What a tick teaches: losses from valves that open, and of which groups a background may be learned."""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt

from hissmark.baseline.bank import Heard as Floors
from hissmark.baseline.bank import Opinion
from hissmark.engine.conditions import TestConditions
from hissmark.engine.intake import US, Portion
from hissmark.engine.measuring import Signal
from hissmark.engine.state import F32, Bools, Ints, State
from hissmark.engine.testable import faulty
from hissmark.judge.codes import among
from hissmark.judge.explain import fit
from hissmark.judge.group import STIR_SCALES, Groups
from hissmark.judge.heard import Heard
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Explanation, Reason
from hissmark.signal.levels import leak_only

F64 = npt.NDArray[np.float64]

SUSPECT_ODDS = 4.0
STRANGE_ODDS = 5.0
"""So much better than any source does it have to be that a state is unexplained, to be learned at its first
visit."""
CLEAR_DB = 8.0
"""Rise from which an open valve is heard clearly enough to learn from."""
WEAK_DB = 3.0
"""Rise below which a neighbour says nothing of its loss."""
SILENT_DB = 1.5
"""Rise below which a channel does not hear a source at all."""
SETTLED_US = 300 * US
LASTING_US = 86_400 * US


def learn_acoustics(
    state: State, at_us: int, on: Bools, conditions: TestConditions, signal: Signal, baseline: F32, rise: F32,
    groups: Groups,
) -> None:  # fmt: skip
    """A valve that has been open for a while, alone in its group, is a known source: learn from it."""
    settled = (state.open_us > 0) & (at_us - state.open_us >= signal.length_us + SETTLED_US)
    due = on & settled & (signal.unsteady == NONE) & signal.fresh & (rise >= CLEAR_DB)
    for c in np.flatnonzero(due).tolist():
        state.open_us[c] = -state.open_us[c]
        group = int(state.layout.group_of[c])
        if groups.explanation[group] != Explanation.OPEN_VALVE or not _is_alone(state, at_us, c, conditions):
            continue
        rows = state.rows_of(group)
        alone, resolvable = leak_only(signal.levels.low[rows], baseline[rows])
        steady = (signal.unsteady[rows] == NONE) & signal.fresh[rows] & ~faulty(state)[rows]
        use = steady & resolvable & (rise[rows] >= WEAK_DB)
        silent = steady & (rise[rows] < SILENT_DB)
        level = np.where(use, alone, np.nan_to_num(baseline[rows]))
        measure_source(state, c, level, use, rise[rows], silent)


def _is_alone(state: State, at_us: int, c: int, conditions: TestConditions) -> bool:
    """Whether nothing else in the group of an open valve makes noise."""
    rows = state.rows_of(int(state.layout.group_of[c]))
    others = conditions.stroked[rows] | (at_us - state.stroked_us[rows] < state.tuned.settle_us[rows])
    others[c - rows.start] = False
    return not (others.any() or state.passing[rows].any())


def measure_source(
    state: State, c: int, level: F32, use: Bools, rise: F32, silent: Bools | None = None
) -> None:
    """Learn losses and couplings from a known source at channel `c`.

    Args:
        level: float32[channels of the group] leak-only levels, dB. use: bool, those heard clearly.
        rise: float32, dB; a channel that rises little is believed less.
        silent: bool, those that do not hear it at all: `level` is the most that may arrive there.
    """
    group = int(state.layout.group_of[c])
    places, count = state.geometry.place.shape[1], len(level)
    laid, clear, weak, deaf = np.zeros(places), *(np.zeros(places, bool) for _ in range(3))
    laid[:count], clear[:count], weak[:count] = level, use, rise < CLEAR_DB
    if silent is not None:
        deaf[:count] = silent
    state.acoustics.measure(group, c - int(state.layout.first[group]), laid, clear, weak, deaf)


def hear_backgrounds(state: State, groups: Bools) -> None:
    """Groups whose channels have all learned their background now tell of their sensors' coupling."""
    for group in np.flatnonzero(groups & ~state.acoustics.background_heard).tolist():
        rows = state.rows_of(group)
        if state.baselines.learned[rows, 0].all():
            background = np.full(state.geometry.place.shape[1], np.nan)
            background[: rows.stop - rows.start] = state.baselines.anchor[rows, 0]
            state.acoustics.hear_background(group, background)


def calm_groups(state: State, groups: Groups, on: Bools) -> Bools:
    """Groups in which nothing is under suspicion, so that baselines may follow."""
    even = among(groups.explanation, (Explanation.NOTHING, Explanation.EVEN_SHIFT)) & (
        np.abs(groups.shift_db) < state.tuned.max_drift_db[state.layout.first]
    )
    calm = ~groups.stirred | even
    return np.asarray(calm & ~state.groups_with(_suspected(state)), bool)


def blamed(state: State, signal: Signal, mode: Ints) -> Bools:
    """Channels of groups in which something seems to leak and is heard: no background to learn from.

    Heard by channels that have a background: where none of these stands out, the leak is over, or nobody can
    say, and whoever learns anew (another sensor, a condition not known yet) must not wait for ever.

    Args:
        mode: int[groups], operating condition.
    """
    of, rows = state.layout.group_of, np.arange(len(state.valve))
    value, scale = (a[rows, mode[of]] for a in (state.baselines.value, state.baselines.scale))
    with np.errstate(invalid="ignore"):
        rises = signal.fresh & (signal.levels.low - value > np.maximum(WEAK_DB, STIR_SCALES * scale))
    return np.asarray((state.groups_with(_suspected(state)) & state.groups_with(rises))[of], bool)


def _suspected(state: State) -> Bools:
    return np.asarray(state.passing | state.alarms.active[0] | (state.evidence > 0), bool)


def disturbed(state: State, at_us: int) -> Bools:
    """Groups in which a valve is open or has just been stroked: nothing to learn a background from.

    A valve that stays open for a day belongs to the background of its neighbours.
    """
    since = np.abs(state.open_us)
    open_lately = (since > 0) & (at_us - since < LASTING_US)
    stroked = at_us - state.stroked_us < np.maximum(state.tuned.settle_us, 1)
    groups = np.zeros(len(state.layout.group_names), bool)
    groups[state.layout.group_of[open_lately | (stroked & (since == 0))]] = True
    return groups


def strange_groups(state: State, groups: Groups) -> Bools:
    """Groups in a state that is not ordinary: perhaps an operating condition not yet known.

    Also while an alarm stands: whether it was a leak shows when the same state comes back after quiet.
    """
    unknown = among(
        groups.explanation, (Explanation.EVEN_SHIFT, Explanation.OUTSIDE_NOISE, Explanation.UNEXPLAINED)
    )
    suspected = np.zeros_like(groups.stirred)
    suspected[state.layout.group_of[state.passing | state.alarms.active[0]]] = True
    return np.asarray(groups.stirred & (unknown | suspected), bool)


def _is_suspect(state: State, group: int, rows: Ints, quiet: F64, other: F64) -> bool:
    """Whether the step from the quietest mode to another looks like one valve passing."""
    found = fit(_step_heard(state, group, rows, [quiet], other))
    others = max(float(a[0]) for a in (found.nothing, found.shift, found.outside, found.unexplained))
    return float(found.passing[0].max()) - others > SUSPECT_ODDS


def _no_source(state: State, group: int, rows: Ints, backgrounds: list[F64], other: F64) -> bool:
    """Whether a state is plainly none that sources or outside noise would bring about over any known mode.

    Every valve of the group has to be heard, and nothing must be said to pass.
    """
    mine = state.rows_of(group)
    deaf = np.setdiff1d(np.flatnonzero(state.valve[mine]) + mine.start, rows)
    if len(deaf) or _suspected(state)[mine].any():
        return False
    found = fit(_step_heard(state, group, rows, backgrounds, other))
    # what is a known mode shifted evenly was left out before
    explained = [found.outside, found.passing.max(axis=1), found.second.max(axis=1)]
    return bool(found.unexplained.max() - np.max(explained) > STRANGE_ODDS)


def _step_heard(state: State, group: int, rows: Ints, backgrounds: list[F64], other: F64) -> Heard:
    """A state as the judgement would hear it over each of some modes, every valve closed."""
    first, places = int(state.layout.first[group]), state.geometry.place.shape[1]
    shape, at = (len(backgrounds), places), rows - first
    background, level, valve = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, bool)
    background[:, at], level[:, at], valve[:, at] = np.array(backgrounds), other, state.valve[rows]
    use = ~np.isnan(background) & ~np.isnan(level)
    nothing, group_rows = np.zeros(shape, bool), np.full(len(backgrounds), group)
    return Heard(
        np.where(use, level, -60.0), np.where(use, background, -60.0), np.where(use, 0.7, 1.0), use,
        valve & use, nothing, state.geometry.reference[group_rows], *state.acoustics.of(group_rows),
        np.full((*shape, places), np.inf), nothing, nothing, state.acoustics.unknown(group_rows),
    )  # fmt: skip


def learn_baselines(
    state: State, portion: Portion, on: Bools, conditions: TestConditions, signal: Signal,
    blocked: npt.NDArray[np.uint8], groups: Groups, calm: Bools,
) -> None:  # fmt: skip
    """Offer the tick's floors to the baselines."""
    due = portion.at_us % state.baselines.stride_us == 0
    step = step_of(state, portion.at_us, signal) if due else np.full(len(on), np.nan, np.float32)
    floors = floors_of(state, portion, on, conditions, signal, step, blocked, groups, calm)
    take_floors(state, portion.at_us, floors)


def floors_of(
    state: State, portion: Portion, on: Bools, conditions: TestConditions, signal: Signal, step: F32,
    blocked: npt.NDArray[np.uint8], groups: Groups, calm: Bools,
) -> Floors:  # fmt: skip
    """What a tick has to offer to the baselines. `step`: see `step_of`."""
    of, levels = state.layout.group_of, signal.levels
    return Floors(
        levels.low, levels.high - levels.low, step, signal.last_us,
        fit_to_learn(state, portion.at_us, blocked, signal.unsteady), groups.mode[of], calm[of], on,
        portion.groups & strange_groups(state, groups), conditions.operating,
        blamed(state, signal, groups.mode),
    )  # fmt: skip


def step_of(state: State, at_us: int, signal: Signal) -> F32:
    """Change of every floor since the tick before, float32[channels] dB."""
    before_us = at_us - state.settings.signal.tick_s * US
    before = state.windows.measure(slice(None), before_us, signal.length_us).low
    return np.asarray(signal.levels.low - before, np.float32)


def fit_to_learn(
    state: State, at_us: int, blocked: npt.NDArray[np.uint8], unsteady: npt.NDArray[np.uint8]
) -> Bools:
    """Channels under test conditions and steady, in groups that nothing disturbs."""
    fit = learnable(blocked) & (unsteady == NONE)
    return np.asarray(fit & ~disturbed(state, at_us)[state.layout.group_of], bool)


def learnable(blocked: npt.NDArray[np.uint8]) -> Bools:
    """Channels under test conditions, or not judged only because they still learn."""
    return np.asarray(among(blocked, (NONE, Reason.BASELINE_LEARNING)), bool)


def take_floors(state: State, at_us: int, floors: Floors) -> None:
    """Hand floors to the baselines, which take them at their own pace."""
    state.baselines.learn(
        at_us, floors, state.free, Opinion(partial(_is_suspect, state), partial(_no_source, state))
    )
