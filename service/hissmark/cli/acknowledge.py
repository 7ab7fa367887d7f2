"""Acknowledging from the command line: put on record here, applied by the service."""

from __future__ import annotations

import time
from collections.abc import Iterator

from hissmark.alarms.journal import ActionKind, Alarm, AlarmKind, AlarmState
from hissmark.cli.errors import CommandError
from hissmark.cli.moments import now_us
from hissmark.cli.opened import Opened
from hissmark.cli.standing import standing
from hissmark.store.actions import record_action
from hissmark.store.journal import JournalFilter
from hissmark.store.open import open_for_actions
from hissmark.store.records import ActionRequest

_POLL_S = 0.1
_OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RTN_UNACKNOWLEDGED)


def acknowledge(
    site: Opened, name: str, kind: str | None, operator: str, comment: str, wait_s: float
) -> Iterator[str]:
    """Record the acknowledgement of each open alarm of a valve; yields a sentence for each."""
    valve = site.channel(name).subject
    alarms = _to_acknowledge(site, valve, None if kind is None else _kind(kind))
    engine = open_for_actions(site.site.store_url, site.site.folder)
    try:
        for alarm in alarms:
            request = ActionRequest(ActionKind.ACKNOWLEDGE, valve, alarm.alarm, operator, comment)
            action_id = record_action(engine, request, now_us())
            yield _answer(site, f"{valve}: {alarm.alarm.value.replace('-', ' ')}", action_id, wait_s)
    finally:
        engine.dispose()


def _kind(text: str) -> AlarmKind:
    try:
        return AlarmKind(text)
    except ValueError:
        raise CommandError(f"{text!r} is no alarm. Alarms are: {', '.join(AlarmKind)}.") from None


def _to_acknowledge(site: Opened, valve: str, kind: AlarmKind | None) -> list[Alarm]:
    """The open alarms of the valve. Raises CommandError that says why there is none."""
    found = [
        a
        for a in standing(site.reader, JournalFilter(valve=valve, alarm=kind))
        if kind is None or a.alarm is kind
    ]
    still_open = [a for a in found if a.state in _OPEN]
    if still_open:
        return still_open
    if found:
        states = ", ".join(f"{a.alarm.value} is {a.state.value.replace('-', ' ')}" for a in found)
        raise CommandError(f"{valve} has nothing to acknowledge: {states}.")
    others = sorted({a.valve for a in standing(site.reader) if a.state in _OPEN})
    hint = f" Waiting for it: {', '.join(others[:8])}." if others else ""
    raise CommandError(f"{valve} has no alarm to acknowledge.{hint}")


def _answer(site: Opened, what: str, action_id: int, wait_s: float) -> str:
    """Wait for the service to deal with the action. Raises CommandError if it refuses."""
    deadline = time.monotonic() + wait_s
    while True:
        action = site.reader.action(action_id)
        if action is not None and action.outcome is not None:
            if action.applied_after_us is None:
                raise CommandError(f"{what} was not acknowledged: {action.outcome}")
            return f"{what} acknowledged, action {action_id}."
        if time.monotonic() >= deadline:
            said = "The service has not answered yet; it applies it when it runs."
            return f"{what}: recorded as action {action_id}. {said}"
        time.sleep(_POLL_S)
