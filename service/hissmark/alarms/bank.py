"""The alarms of all channels: delays and deadband over arrays, transitions one by one where they happen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import (
    Action,
    ActionKind,
    Alarm,
    AlarmKind,
    AlarmState,
    JournalEntry,
    Priority,
)
from hissmark.alarms.priority import priority_of
from hissmark.alarms.states import ANNUNCIATED, Trigger, transition
from hissmark.engine.settings import PrioritySettings

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

KINDS = tuple(AlarmKind)
STATES = tuple(AlarmState)
SHOWN = tuple(STATES.index(state) for state in ANNUNCIATED)
SUPPRESSED = STATES.index(AlarmState.SUPPRESSED_BY_DESIGN)
PRIORITIES = tuple(Priority)
ReasonOf = Callable[[AlarmKind, int], str]
TRIGGER_OF = {
    ActionKind.ACKNOWLEDGE: Trigger.ACKNOWLEDGE,
    ActionKind.SHELVE: Trigger.SHELVE,
    ActionKind.SHELVE_ONCE: Trigger.SHELVE,
    ActionKind.UNSHELVE: Trigger.UNSHELVE,
    ActionKind.TAKE_OUT_OF_SERVICE: Trigger.TAKE_OUT_OF_SERVICE,
    ActionKind.RETURN_TO_SERVICE: Trigger.RETURN_TO_SERVICE,
}


class ActionRefusedError(ValueError):
    """The action means nothing now; the message says why, to the operator."""


class Wanted(NamedTuple):
    """What a tick says about the conditions of all alarms; arrays [kinds, channels].

    Attributes:
        stands: bool, the condition stands at this tick. gone: bool, it is surely gone. Neither: not known.
        rise_db, margin_db: float32[channels].
        on: bool[channels], the channel's group closes this tick.
        held_by: int16[kinds, channels], the rule that suppresses the alarm by design, -1 where none does.
    """

    stands: Bools
    gone: Bools
    rise_db: F32
    margin_db: F32
    on: Bools
    held_by: npt.NDArray[np.int16] | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """Whom the alarms of a channel are about."""

    valve: str
    group: str
    consequence: str


class AlarmBank:
    """State of every alarm; arrays [kinds, channels]."""

    STATE = (
        "state", "active", "stood_s", "gone_s", "raised_us", "changed_us", "until_us", "priority", "rise_db",
        "margin_db", "held_by", "once",
    )  # fmt: skip

    def __init__(
        self,
        subjects: tuple[Subject, ...],
        on_delay_s: Mapping[AlarmKind, float],
        off_delay_s: float,
        *,
        max_shelve_s: int = 0,
        priority: PrioritySettings | None = None,
        rules: tuple[str, ...] = (),
    ) -> None:
        """`max_shelve_s` 0: no bound. `rules`: texts of the rules that `Wanted.held_by` indexes."""
        shape = (len(KINDS), len(subjects))
        self.max_shelve_us = max_shelve_s * 1_000_000
        self.priorities = priority or PrioritySettings()
        self.rules = rules
        self.subjects = subjects
        self.index = {s.valve: i for i, s in enumerate(subjects)}
        self.on_delay_s: F32 = np.array([[on_delay_s[k]] for k in KINDS], np.float32)
        self.off_delay_s: F32 = _off_delays(self.on_delay_s, np.array([off_delay_s], np.float32))
        self.severity: tuple[F32, F32] | None = None
        self.state: npt.NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.active: Bools = np.zeros(shape, bool)
        self.stood_s: F32 = np.zeros(shape, np.float32)
        self.gone_s: F32 = np.zeros(shape, np.float32)
        self.raised_us: I64 = np.zeros(shape, np.int64)
        self.changed_us: I64 = np.zeros(shape, np.int64)
        self.until_us: I64 = np.zeros(shape, np.int64)
        self.once: Bools = np.zeros(shape, bool)
        self.priority: npt.NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.rise_db: F32 = np.full(shape, np.nan, np.float32)
        self.margin_db: F32 = np.full(shape, np.nan, np.float32)
        self.held_by: npt.NDArray[np.int16] = np.full(shape, -1, np.int16)
        #: what the last entry of an alarm not at rest said: (kind, channel) -> entry
        self.last: dict[tuple[int, int], JournalEntry] = {}

    def use(self, on_delay_s: Mapping[AlarmKind, F32], off_delay_s: F32, severity: tuple[F32, F32]) -> None:
        """Delays, and rises from which a leak is clear and severe, as they are for each channel now."""
        self.on_delay_s = np.stack([on_delay_s[k] for k in KINDS])
        self.off_delay_s, self.severity = _off_delays(self.on_delay_s, off_delay_s), severity

    def step(self, at_us: int, tick_s: int, wanted: Wanted, reason_of: ReasonOf) -> list[JournalEntry]:
        """Advance all alarms by one tick; `reason_of(kind, channel)` is asked only where something happens.

        A condition has to stand for the on-delay (time in which it is not known does not count and does not
        reset), and has to be gone for the off-delay before the alarm returns to normal.
        """
        on = wanted.on[None, :]
        stands, gone = wanted.stands & on, wanted.gone & on
        # Counted only towards a change: while nothing is to change the state stands still.
        stood_s = self.stood_s + np.where(stands & ~self.active, tick_s, 0)
        gone_s = self.gone_s + np.where(gone & self.active, tick_s, 0)
        self.stood_s = np.where(gone, 0.0, stood_s).astype(np.float32)
        self.gone_s = np.where(stands, 0.0, gone_s).astype(np.float32)
        begins = stands & ~self.active & (self.stood_s >= self.on_delay_s)
        refresh = stands & (self.active | begins)
        self.rise_db = np.where(refresh, wanted.rise_db[None, :], self.rise_db)
        self.margin_db = np.where(refresh, wanted.margin_db[None, :], self.margin_db)
        ends = gone & self.active & (self.gone_s >= self.off_delay_s)
        expired = on & (self.until_us > 0) & (self.until_us <= at_us)
        if wanted.held_by is not None:
            self.held_by = np.where(on, wanted.held_by, self.held_by)
        moves = on & ((self.held_by >= 0) == (self.state != SUPPRESSED)) & (self.active | (self.state != 0))
        entries: list[JournalEntry | None] = []
        for c, k in np.argwhere((begins | ends | expired | moves).T).tolist():
            if begins[k, c]:
                self._begin(at_us, k, c)
                if self.held_by[k, c] < 0:
                    entries.append(self._apply(at_us, k, c, Trigger.CONDITION_ON, reason_of(KINDS[k], c)))
            if ends[k, c]:
                self.active[k, c] = False
                entries.append(self._apply(at_us, k, c, Trigger.CONDITION_OFF, reason_of(KINDS[k], c)))
                if self.once[k, c]:
                    entries.append(
                        self._apply(at_us, k, c, Trigger.UNSHELVE, "what it was shelved for is gone")
                    )
            if expired[k, c]:
                entries.append(
                    self._apply(at_us, k, c, Trigger.SHELF_EXPIRES, "the time of shelving is over")
                )
            entries.append(self._hold(at_us, k, c))
        return [entry for entry in entries if entry is not None]

    def act(self, action: Action, at_us: int) -> list[JournalEntry]:
        """Carry out an operator's action after the tick that closed at `at_us`.

        Raises ActionRefusedError where it means nothing (no such valve, nothing to acknowledge).
        """
        c = self.index.get(action.valve)
        if c is None:
            raise ActionRefusedError(f"there is no valve or sensor {action.valve!r} in the register")
        k = KINDS.index(action.alarm)
        if TRIGGER_OF[action.kind] is Trigger.SHELVE:
            action = self._bounded(action, at_us)
        entry = self._apply(at_us, k, c, TRIGGER_OF[action.kind], action.comment or action.kind, action)
        if entry is None:
            state = STATES[self.state[k, c]]
            raise ActionRefusedError(
                f"cannot {action.kind} the {action.alarm} alarm of {action.valve}: its state is {state}"
            )
        held = self._hold(at_us, k, c)
        return [entry] if held is None else [entry, held]

    def _bounded(self, action: Action, at_us: int) -> Action:
        """A shelving that ends, and not later than the site allows (counted in event time)."""
        if action.until_us is None or action.until_us <= at_us:
            raise ActionRefusedError(f"shelving {action.valve} needs an end that lies ahead")
        if not self.max_shelve_us or at_us <= 0:
            return action
        return replace(action, until_us=min(action.until_us, at_us + self.max_shelve_us))

    def _begin(self, at_us: int, k: int, c: int) -> None:
        """The condition stands from now on, seen or not; its priority is settled here."""
        self.active[k, c], self.raised_us[k, c] = True, at_us
        rise = float(self.rise_db[k, c])
        found = priority_of(KINDS[k], self.subjects[c].consequence, rise, self._priorities_of(c))
        self.priority[k, c] = PRIORITIES.index(found)

    def _priorities_of(self, c: int) -> PrioritySettings:
        if self.severity is None:
            return self.priorities
        clear, severe = self.severity
        return replace(self.priorities, clear_db=float(clear[c]), severe_db=float(severe[c]))

    def _hold(self, at_us: int, k: int, c: int) -> JournalEntry | None:
        """Suppress by design what there is to suppress while a rule holds; give it free when none does."""
        rule, state = int(self.held_by[k, c]), int(self.state[k, c])
        if rule < 0 and state == SUPPRESSED:
            return self._apply(at_us, k, c, Trigger.UNSUPPRESS, "no rule suppresses it any more")
        if rule >= 0 and state in SHOWN and (self.active[k, c] or state != 0):
            text = self.rules[rule] if rule < len(self.rules) else "a rule of the site"
            return self._apply(at_us, k, c, Trigger.SUPPRESS, f"suppressed by design: {text}")
        return None

    def _apply(
        self, at_us: int, k: int, c: int, trigger: Trigger, reason: str, action: Action | None = None
    ) -> JournalEntry | None:
        result = transition(STATES[self.state[k, c]], trigger, bool(self.active[k, c]))
        if result is None:
            return None
        state, event = result
        self.state[k, c] = STATES.index(state)
        self.changed_us[k, c] = at_us
        shelved = state is AlarmState.SHELVED and action is not None
        self.until_us[k, c] = (action.until_us or 0) if shelved and action else 0
        self.once[k, c] = shelved and action is not None and action.kind is ActionKind.SHELVE_ONCE
        subject, rise, margin = self.subjects[c], float(self.rise_db[k, c]), float(self.margin_db[k, c])
        entry = JournalEntry(
            at_us, subject.valve, subject.group, KINDS[k], event, state, PRIORITIES[self.priority[k, c]],
            _known(rise), _known(margin), reason,
            action.operator if action else "", action.comment if action else "", action.id if action else 0,
        )  # fmt: skip
        if state is AlarmState.NORMAL:
            self.last.pop((k, c), None)
        else:
            self.last[k, c] = entry
        return entry

    def standing(self) -> list[Alarm]:
        """Every alarm that is not at rest, in register order."""
        found = []
        for c, k in np.argwhere(self.state.T != 0).tolist():
            entry = self.last[k, c]
            found.append(
                Alarm(
                    entry.valve,
                    entry.group,
                    KINDS[k],
                    STATES[self.state[k, c]],
                    bool(self.active[k, c]),
                    PRIORITIES[self.priority[k, c]],
                    int(self.raised_us[k, c]),
                    int(self.changed_us[k, c]),
                    _known(float(self.rise_db[k, c])),
                    _known(float(self.margin_db[k, c])),
                    entry.reason,
                    entry.operator,
                    entry.comment,
                    int(self.until_us[k, c]) or None,
                    entry.action_id,
                    bool(self.once[k, c]),
                )
            )
        return found


def _off_delays(on_delay_s: F32, off_delay_s: F32) -> F32:
    """Off-delay of each kind, float32[kinds, channels or 1]; a doubt is not gone sooner than it came."""
    doubt = np.array([[kind is AlarmKind.CONTESTED] for kind in KINDS])
    return np.where(doubt, np.maximum(off_delay_s, on_delay_s), off_delay_s).astype(np.float32)


def _known(value: float) -> float | None:
    return round(value, 3) if np.isfinite(value) else None
