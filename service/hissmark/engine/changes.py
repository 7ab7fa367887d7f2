"""Recorded changes on their way into the computation: checked, waiting for their tick, applied."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.baseline import by_hand
from hissmark.engine.change import BaselineStep, Change, ChangeKind, ChangeRefusedError, Level
from hissmark.engine.retested import Limits, mark
from hissmark.engine.state import State
from hissmark.engine.tuned import TUNABLE

I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


class Changes:
    """Changes that some of their groups have yet to reach, in order of their number.

    `newest_id`: the newest change that the state contains, applied or waiting.
    """

    def __init__(self, state: State) -> None:
        self._state = state
        self.newest_id = 0
        self.waiting: list[tuple[Change, set[int]]] = []

    def admit(self, change: Change, tick_us: I64) -> Change:
        """Check a new change and settle from when on it counts. Raises ChangeRefusedError.

        Args:
            tick_us: int64[groups] last closed tick of each group.
        """
        check(self._state, change)
        groups = sorted(groups_of(self._state, change))
        return replace(change, effective_us=max(0, int(tick_us[groups].max())))

    def take(self, change: Change, tick_us: I64) -> None:
        """Apply a change where its time has come; elsewhere it waits. Raises ChangeRefusedError."""
        groups = groups_of(self._state, change)
        self.newest_id = max(self.newest_id, change.id)
        reached = {g for g in groups if tick_us[g] >= change.effective_us}
        apply(self._state, change, sorted(reached))
        if groups - reached:
            self.waiting.append((change, groups - reached))
            self.waiting.sort(key=lambda row: row[0].id)

    def bring(self, at_us: int, closing: Bools) -> None:
        """Apply what counts for the groups (bool[groups]) that now close the tick at `at_us`."""
        if not self.waiting:
            return
        for change, groups in self.waiting:
            if at_us > change.effective_us:
                due = sorted(g for g in groups if closing[g])
                apply(self._state, change, due)
                groups.difference_update(due)
        self.waiting = [row for row in self.waiting if row[1]]

    def to_plain(self) -> list[list[Any]]:
        """The waiting changes as plain values, groups by name."""
        names = self._state.layout.group_names
        return [[asdict(change), sorted(names[g] for g in groups)] for change, groups in self.waiting]

    def from_plain(self, rows: list[list[Any]], renamed: Mapping[str, str]) -> None:
        """Take over what `to_plain` gave; what is about nothing any more is left out.

        `renamed`: old name -> new name of groups, if the register is another one.
        """
        place = {name: i for i, name in enumerate(self._state.layout.group_names)}
        self.waiting = []
        for plain, names in rows:
            change = Change(**{**plain, "kind": ChangeKind(plain["kind"])})
            change = replace(change, subject=renamed.get(change.subject, change.subject))
            groups = {place[new] for name in names if (new := renamed.get(name, name)) in place}
            with suppress(ChangeRefusedError):
                groups &= groups_of(self._state, change)
                if groups:
                    self.waiting.append((change, groups))


def groups_of(state: State, change: Change) -> set[int]:
    """The groups that a change concerns. Raises ChangeRefusedError if what it is about does not exist."""
    layout = state.layout
    if change.kind is ChangeKind.SETTINGS and _level(change.payload) is Level.SITE:
        return set(range(len(layout.group_names)))
    by_group = change.kind is ChangeKind.LOSSES_RESET or (
        change.kind is ChangeKind.SETTINGS and _level(change.payload) is Level.GROUP
    )
    if by_group:
        if change.subject not in layout.group_names:
            raise ChangeRefusedError(f"there is no group {change.subject!r} in the register")
        return {layout.group_names.index(change.subject)}
    return {int(layout.group_of[channel_of(state, change.subject)])}


def channel_of(state: State, subject: str) -> int:
    """Index of the channel of a valve's tag or of a channel's name."""
    found = state.alarms.index.get(subject)
    if found is None:
        names = [c.name for c in state.layout.channels]
        found = names.index(subject) if subject in names else None
    if found is None:
        raise ChangeRefusedError(f"there is no valve or sensor {subject!r} in the register")
    return found


def _level(payload: Mapping[str, Any]) -> Level:
    try:
        return Level(payload.get("level", ""))
    except ValueError:
        levels = ", ".join(Level)
        raise ChangeRefusedError(f"settings need a level, one of {levels}") from None


def check(state: State, change: Change) -> None:
    """Raises ChangeRefusedError if the change makes no sense in the present state."""
    groups = groups_of(state, change)
    match change.kind:
        case ChangeKind.SETTINGS:
            _check_settings(state, change, groups)
        case ChangeKind.BASELINE:
            _check_baseline(state, change)
        case ChangeKind.CLOCK:
            if not isinstance(change.payload.get("wrong"), bool):
                raise ChangeRefusedError("of a clock it has to be said whether it is wrong")
        case ChangeKind.REPAIR:
            at_us = change.payload.get("at_us")
            if not isinstance(at_us, int) or isinstance(at_us, bool) or at_us <= 0:
                raise ChangeRefusedError("a repair needs the time at which it was done (at_us)")


def _check_settings(state: State, change: Change, groups: set[int]) -> None:
    values = change.payload.get("values")
    if not isinstance(values, Mapping) or not values:
        raise ChangeRefusedError("a change of settings needs values")
    level = _level(change.payload)
    rows = [channel_of(state, change.subject)] if level is Level.VALVE else sorted(groups)
    state.tuned.check(level, rows, values)


def _check_baseline(state: State, change: Change) -> None:
    channel, payload = channel_of(state, change.subject), change.payload
    group = int(state.layout.group_of[channel])
    found = state.baselines.count(group, bool(state.free[group]))
    step = _step(payload)
    condition = payload.get("condition")
    if condition is not None and not (isinstance(condition, int) and 0 <= condition < found):
        raise ChangeRefusedError(f"{change.subject} has no operating condition {condition!r}")
    chosen = slice(None) if condition is None else slice(condition, condition + 1)
    needs_one = step in (BaselineStep.APPROVE, BaselineStep.HOLD)
    if needs_one and not state.baselines.learned[channel, chosen].any():
        raise ChangeRefusedError(f"{change.subject} has not learned a baseline yet")
    if step is BaselineStep.SET:
        _check_set(payload)


def _check_set(payload: Mapping[str, Any]) -> None:
    value, scale = payload.get("value_db"), payload.get("scale_db")
    if payload.get("condition") is None:
        raise ChangeRefusedError("setting a baseline needs the operating condition it is for")
    if not (_is_number(value) and -200 <= float(value) <= 300):  # type: ignore[arg-type]
        raise ChangeRefusedError(f"value_db = {value!r} is not a believable level in dB")
    if not (_is_number(scale) and 0 < float(scale) <= 20):  # type: ignore[arg-type]
        raise ChangeRefusedError(f"scale_db = {scale!r} is not a believable scale: above 0, at most 20 dB")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and bool(np.isfinite(value))


def _step(payload: Mapping[str, Any]) -> BaselineStep:
    try:
        return BaselineStep(payload.get("step", ""))
    except ValueError:
        steps = ", ".join(BaselineStep)
        raise ChangeRefusedError(f"a baseline can be changed by one of: {steps}") from None


def apply(state: State, change: Change, groups: list[int]) -> None:
    """Carry out a change for some of its groups."""
    if not groups:
        return
    match change.kind:
        case ChangeKind.SETTINGS:
            _apply_settings(state, change, groups)
        case ChangeKind.BASELINE:
            _apply_baseline(state, change)
        case ChangeKind.LOSSES_RESET:
            for group in groups:
                state.acoustics.forget(group)
        case ChangeKind.CLOCK:
            state.health.clock_wrong[channel_of(state, change.subject)] = bool(change.payload["wrong"])
        case ChangeKind.REPAIR:
            channel = channel_of(state, change.subject)
            state.repairs.repaired(channel, int(change.payload["at_us"]))
            state.passed.forget(int(state.layout.group_of[channel]))


def _apply_settings(state: State, change: Change, groups: list[int]) -> None:
    level = _level(change.payload)
    rows = [channel_of(state, change.subject)] if level is Level.VALVE else groups
    known = {name: value for name, value in change.payload["values"].items() if name in TUNABLE}
    before = Limits.of(state)
    state.tuned.take(level, rows, known)
    state.retune()
    mark(state, before)


def _apply_baseline(state: State, change: Change) -> None:
    channel, payload = channel_of(state, change.subject), change.payload
    baselines, mode = state.baselines, payload.get("condition")
    match _step(payload):
        case BaselineStep.APPROVE:
            by_hand.approve(baselines, channel, mode)
        case BaselineStep.HOLD:
            by_hand.hold(baselines, channel, mode)
        case BaselineStep.RELEASE:
            by_hand.release(baselines, channel, mode)
        case BaselineStep.RELEARN:
            by_hand.relearn(baselines, channel, mode)
            state.health.timers.forget(channel)
        case BaselineStep.SET:
            value_db, scale_db = float(payload["value_db"]), float(payload["scale_db"])
            by_hand.put(baselines, channel, int(payload["condition"]), value_db, scale_db)
            state.health.timers.forget(channel)
