"""Priority of an alarm: from the consequence of a leak at that valve and how far it stands out."""

from __future__ import annotations

from hissmark.alarms.journal import AlarmKind, Priority

SEVERE_DB = (10.0, 20.0)
"""Rises from which a leak counts as more than slight, and as severe (common practice, no source)."""

_L, _M, _H = Priority.LOW, Priority.MEDIUM, Priority.HIGH
TABLE: dict[str, tuple[Priority, Priority, Priority]] = {
    "low": (_L, _L, _M),
    "medium": (_L, _M, _H),
    "high": (_M, _H, _H),
}
"""Consequence -> priority of a slight, a clear and a severe leak."""


def priority_of(kind: AlarmKind, consequence: str, rise_db: float) -> Priority:
    """Priority when an alarm is raised; what is not a named leak is always low."""
    if kind is not AlarmKind.PASSING:
        return Priority.LOW
    severity = sum(rise_db >= limit for limit in SEVERE_DB)
    return TABLE[consequence][severity]
