"""The life of an alarm as data: states and transitions of ISA-18.2 / IEC 62682.

An alarm that is shelved, suppressed or out of service keeps following its condition underneath; what it
returns to depends on whether the condition still stands.
"""

from __future__ import annotations

from enum import StrEnum

from hissmark.alarms.journal import AlarmEvent, AlarmState


class Trigger(StrEnum):
    """What can happen to an alarm."""

    CONDITION_ON = "condition on"
    CONDITION_OFF = "condition off"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_EXPIRES = "shelf expires"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT_OF_SERVICE = "take out of service"
    RETURN_TO_SERVICE = "return to service"


_S, _T, _E = AlarmState, Trigger, AlarmEvent
ANNUNCIATED = (_S.NORMAL, _S.UNACKNOWLEDGED, _S.ACKNOWLEDGED, _S.RTN_UNACKNOWLEDGED)
"""States in which the alarm is neither hidden by an operator nor by design."""

TRANSITIONS: dict[tuple[AlarmState, Trigger], tuple[AlarmState, AlarmEvent]] = {
    (_S.NORMAL, _T.CONDITION_ON): (_S.UNACKNOWLEDGED, _E.RAISED),
    (_S.UNACKNOWLEDGED, _T.ACKNOWLEDGE): (_S.ACKNOWLEDGED, _E.ACKNOWLEDGED),
    (_S.UNACKNOWLEDGED, _T.CONDITION_OFF): (_S.RTN_UNACKNOWLEDGED, _E.CLEARED),
    (_S.ACKNOWLEDGED, _T.CONDITION_OFF): (_S.NORMAL, _E.CLEARED),
    (_S.RTN_UNACKNOWLEDGED, _T.ACKNOWLEDGE): (_S.NORMAL, _E.ACKNOWLEDGED),
    (_S.RTN_UNACKNOWLEDGED, _T.CONDITION_ON): (_S.UNACKNOWLEDGED, _E.RAISED),
}
for _state in ANNUNCIATED:
    TRANSITIONS[_state, _T.SHELVE] = (_S.SHELVED, _E.SHELVED)
    TRANSITIONS[_state, _T.SUPPRESS] = (_S.SUPPRESSED_BY_DESIGN, _E.SUPPRESSED)
    TRANSITIONS[_state, _T.TAKE_OUT_OF_SERVICE] = (_S.OUT_OF_SERVICE, _E.OUT_OF_SERVICE)
TRANSITIONS[_S.SHELVED, _T.TAKE_OUT_OF_SERVICE] = (_S.OUT_OF_SERVICE, _E.OUT_OF_SERVICE)

RETURNS: dict[tuple[AlarmState, Trigger], AlarmEvent] = {
    (_S.SHELVED, _T.UNSHELVE): _E.UNSHELVED,
    (_S.SHELVED, _T.SHELF_EXPIRES): _E.SHELF_EXPIRED,
    (_S.SUPPRESSED_BY_DESIGN, _T.UNSUPPRESS): _E.UNSUPPRESSED,
    (_S.OUT_OF_SERVICE, _T.RETURN_TO_SERVICE): _E.RETURNED_TO_SERVICE,
}
"""Ways back into view: to unacknowledged while the condition stands, to normal otherwise."""


def transition(state: AlarmState, trigger: Trigger, active: bool) -> tuple[AlarmState, AlarmEvent] | None:
    """Next state and the event to journal; None where the trigger means nothing in this state.

    Args:
        active: whether the alarm's condition stands.
    """
    back = RETURNS.get((state, trigger))
    if back is not None:
        return (AlarmState.UNACKNOWLEDGED if active else AlarmState.NORMAL), back
    return TRANSITIONS.get((state, trigger))
