"""Operator actions from the command line: put on record here, applied by the service."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from hissmark.alarms.journal import ActionKind, ActionRequest, Alarm, AlarmKind, AlarmState
from hissmark.cli.errors import CommandError
from hissmark.cli.opened import Opened
from hissmark.cli.standing import standing
from hissmark.store.actions import record_action
from hissmark.store.journal import JournalFilter
from hissmark.store.open import open_for_actions
from hissmark.store.outcomes import outcome_of

_S = AlarmState
_VISIBLE = (_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED, _S.RTN_UNACKNOWLEDGED)


@dataclass(frozen=True)
class Verb:
    """One kind of action: which states it means something in, and how it is said."""

    kind: ActionKind
    states: tuple[AlarmState, ...]
    verb: str
    done: str
    in_advance: bool = False


ACKNOWLEDGE = Verb(
    ActionKind.ACKNOWLEDGE, (_S.UNACKNOWLEDGED, _S.RTN_UNACKNOWLEDGED), "acknowledge", "acknowledged"
)
SHELVE = Verb(ActionKind.SHELVE, _VISIBLE, "shelve", "shelved", True)
SHELVE_ONCE = replace(SHELVE, kind=ActionKind.SHELVE_ONCE)
UNSHELVE = Verb(ActionKind.UNSHELVE, (_S.SHELVED,), "take off the shelf", "taken off the shelf")
OUT = Verb(
    ActionKind.TAKE_OUT_OF_SERVICE,
    (*_VISIBLE, _S.SHELVED),
    "take out of service",
    "taken out of service",
    True,
)
BACK = Verb(ActionKind.RETURN_TO_SERVICE, (_S.OUT_OF_SERVICE,), "return to service", "returned to service")


def carry_out(
    site: Opened, verb: Verb, names: Sequence[str], kind: str | None, operator: str, comment: str,
    wait_s: float, for_s: float | None = None,
) -> Iterator[str]:  # fmt: skip
    """Record the action on each alarm that it concerns; yields a sentence for each.

    `for_s` is how long a shelving lasts. Raises CommandError that says what is wrong.
    """
    alarm = None if kind is None else _kind(kind)
    until_us = None if for_s is None else _until_us(site, for_s)
    targets = [t for name in names for t in _targets(site, verb, site.channel(name).subject, alarm)]
    engine = open_for_actions(site.site.store_url, site.site.folder)
    try:
        requests = [ActionRequest(verb.kind, valve, k, operator, comment, until_us) for valve, k in targets]
        ids = [record_action(engine, request, site.now_us) for request in requests]
        refused = []
        for request, action_id in zip(requests, ids, strict=True):
            try:
                yield _answer(site, verb, request, action_id, wait_s)
            except CommandError as refusal:
                refused.append(str(refusal))
        if refused:
            raise CommandError(" ".join(refused))
    finally:
        engine.dispose()


def _kind(text: str) -> AlarmKind:
    try:
        return AlarmKind(text)
    except ValueError:
        raise CommandError(f"{text!r} is no alarm. Alarms are: {', '.join(AlarmKind)}.") from None


def _until_us(site: Opened, for_s: float) -> int:
    longest_s = site.site.core.alarms.max_shelve_s
    if for_s > longest_s:
        raise CommandError(
            f"the site allows shelving for at most {longest_s / 3600:g} h ([alarms] max_shelve_s)."
        )
    return site.now_us + int(for_s * 1e6)


def _targets(site: Opened, verb: Verb, valve: str, kind: AlarmKind | None) -> list[tuple[str, AlarmKind]]:
    """The alarms of the valve that the action concerns. Raises CommandError that says why there is none."""
    if kind is not None and verb.in_advance:
        return [(valve, kind)]
    found = [a for a in standing(site.reader, JournalFilter(valve=valve)) if kind is None or a.alarm is kind]
    fit = [(valve, a.alarm) for a in found if a.state in verb.states]
    if not fit:
        raise CommandError(_why_none(site, verb, valve, found))
    return fit


def _why_none(site: Opened, verb: Verb, valve: str, found: list[Alarm]) -> str:
    if found:
        states = ", ".join(f"{a.alarm.value} is {a.state.value.replace('-', ' ')}" for a in found)
        return f"{valve} has nothing to {verb.verb}: {states}."
    if verb.in_advance:
        return f"{valve} has no alarm to {verb.verb}. To do it in advance, name the alarm: --alarm passing."
    others = sorted({a.valve for a in standing(site.reader) if a.state in verb.states})
    hint = f" Waiting for it: {', '.join(others[:8])}." if others else ""
    return f"{valve} has no alarm to {verb.verb}.{hint}"


def _answer(site: Opened, verb: Verb, request: ActionRequest, action_id: int, wait_s: float) -> str:
    """Wait for the service to deal with the action. Raises CommandError if it refuses."""
    what = f"{request.valve}: {request.alarm.value.replace('-', ' ')}"
    action = outcome_of(site.reader.action, action_id, wait_s)
    if action is None:
        said = "The service has not answered yet; it applies it when it runs."
        return f"{what}: recorded as action {action_id}. {said}"
    if action.applied_after_us is None:
        raise CommandError(f"{what} was not {verb.done}: {action.outcome}")
    return f"{what} {verb.done}, action {action_id}."
