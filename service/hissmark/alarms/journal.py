"""The alarm journal's entry and its vocabulary."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class AlarmKind(StrEnum):
    """What an alarm is about."""

    PASSING = "passing"
    CONTESTED = "contested"
    SENSOR_FAULT = "sensor-fault"


class AlarmState(StrEnum):
    """Alarm states of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RTN_UNACKNOWLEDGED = "rtn-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


class AlarmEvent(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_EXPIRED = "shelf-expired"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    RETURNED_TO_SERVICE = "returned-to-service"


class Priority(StrEnum):
    """Alarm priority, from the consequence of a leak and its severity."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One line of the alarm journal. `seq` and `recorded_at` are added when it is stored.

    Attributes:
        at_us: event time, microseconds since 1970 UTC.
        valve: the valve's tag; for a sensor on no valve the channel's name.
        margin_db: how far the explanation stands above the next; None where there is none.
        action_id: the operator action behind it, 0 for transitions of the process.
        origin: ``back-fill`` if it was only found when samples had come after their time; such an entry was
        never put before an operator as new.
    """

    at_us: int
    valve: str
    group: str
    alarm: AlarmKind
    event: AlarmEvent
    state: AlarmState
    priority: Priority
    rise_db: float | None
    margin_db: float | None
    reason: str
    operator: str = ""
    comment: str = ""
    action_id: int = 0
    origin: str = ""

    @property
    def key(self) -> tuple[str, str, str, int, int]:
        """What makes an entry unique: the same transition is never on record twice."""
        return (self.valve, self.alarm, self.event, self.at_us, self.action_id)


class ActionKind(StrEnum):
    """What an operator can do to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    SHELVE_ONCE = "shelve-once"
    """Shelve until the condition is gone, but not longer than `until_us`."""
    UNSHELVE = "unshelve"
    TAKE_OUT_OF_SERVICE = "take-out-of-service"
    RETURN_TO_SERVICE = "return-to-service"


@dataclass(frozen=True, slots=True)
class ActionRequest:
    """What an operator asks for. `until_us` bounds a shelving (event time)."""

    kind: ActionKind
    valve: str
    alarm: AlarmKind
    operator: str
    comment: str = ""
    until_us: int | None = None


@dataclass(frozen=True, slots=True)
class Action(ActionRequest):
    """The same with its number on record."""

    id: int = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm that is not at rest, as the operator sees it.

    Attributes:
        action_id: the operator action behind its last transition, 0 for one of the process.
        shelved_once: it comes off the shelf by itself when its condition is gone.
    """

    valve: str
    group: str
    alarm: AlarmKind
    state: AlarmState
    active: bool
    priority: Priority
    raised_us: int
    changed_us: int
    rise_db: float | None
    margin_db: float | None
    reason: str
    operator: str = ""
    comment: str = ""
    shelved_until_us: int | None = None
    action_id: int = 0
    shelved_once: bool = False
