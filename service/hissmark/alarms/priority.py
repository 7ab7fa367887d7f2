"""Priority of an alarm: from the consequence of a leak at that valve and how far it stands out."""

from __future__ import annotations

from hissmark.alarms.journal import AlarmKind, Priority
from hissmark.engine.settings import PrioritySettings

SEVERITIES = ("slight", "clear", "severe")


def priority_of(
    kind: AlarmKind, consequence: str, rise_db: float, table: PrioritySettings | None = None
) -> Priority:
    """Priority when an alarm is raised, by the site's table; a rise that is not known counts as slight."""
    table = table or PrioritySettings()
    if kind is not AlarmKind.PASSING:
        return Priority(getattr(table, kind.value.replace("-", "_")))
    severity = SEVERITIES[(rise_db >= table.clear_db) + (rise_db >= table.severe_db)]
    return Priority(getattr(table, f"{consequence}_{severity}"))
