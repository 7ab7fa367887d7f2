"""The JSON shapes of findings and repairs that API and command share."""

from __future__ import annotations

from typing import Any

from typing_extensions import TypedDict

from hissmark.engine.repair_check import US, Outcome
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.repairs.checking import Check, is_checked
from hissmark.repairs.sentences import finding_sentence, outcome_sentence, repair_sentence, state_text
from hissmark.store.repair_records import WORK_WORDS, Cost, Finding, OnRecord, Repair


class CostShape(TypedDict):
    """Money: a decimal number as text, and an ISO 4217 code."""

    amount: str
    currency: str


class RecordShape(TypedDict):
    """What findings and repairs have in common. `stands`: neither corrected nor taken back."""

    id: int
    at: str
    recorded_at: str
    valve: str
    who: str
    recorded_by: str
    note: str
    cost: CostShape | None
    supersedes: int | None
    superseded_by: int | None
    withdrawn: bool
    stands: bool
    sentence: str


class FindingShape(RecordShape):
    """A finding. `source` is the valve that passes instead, for a wrong valve."""

    found: str
    source: str | None


class CheckShape(TypedDict):
    """How the check of a repair stands.

    `state` is for people (``holding 12 of 30 min``); `outcome` is null while the check runs; `at` is the tick
    that ended it, or the last one looked at; `reason` tells what hinders it, or hindered it most.
    """

    state: str
    outcome: str | None
    at: str | None
    reason: str | None
    about: str | None
    held_s: int
    hold_s: int
    sentence: str


class RepairShape(RecordShape):
    """A repair. `check` is null for work on a sensor, and for what does not stand."""

    work: str
    work_text: str
    check: CheckShape | None


def finding_shape(row: OnRecord[Finding]) -> FindingShape:
    finding = row.what
    told: dict[str, Any] = {
        **_record(row, finding),
        "sentence": finding_sentence(finding),
        "found": str(finding.found),
        "source": finding.source,
    }
    return told  # type: ignore[return-value]


def repair_shape(row: OnRecord[Repair], check: Check | None, hold_s: int) -> RepairShape:
    """`check` as `Checks.look` gives it; None where there is none."""
    repair = row.what
    checked = check is not None and row.stands and is_checked(repair)
    told: dict[str, Any] = {
        **_record(row, repair),
        "sentence": repair_sentence(repair),
        "work": str(repair.work),
        "work_text": WORK_WORDS[repair.work],
        "check": check_shape(check, hold_s) if check is not None and checked else None,
    }
    return told  # type: ignore[return-value]


def check_shape(check: Check, hold_s: int) -> CheckShape:
    """`hold_s`: the hold time of the settings, for a check that has not begun."""
    progress, ended = check.progress, check.ended
    if ended is not None:
        hold_s = int(ended.payload.get("hold_s", hold_s))
    elif check.case is not None:
        hold_s = check.case.hold_us // US
    state = state_text(progress, hold_s * US)
    valve = check.row.what.valve
    running = progress.sign is not None and progress.outcome is None
    full = progress.outcome not in (None, Outcome.NOT_TESTED)
    return {
        "state": state,
        "outcome": str(progress.outcome) if progress.outcome is not None else None,
        "at": rfc3339_or_none(progress.last_us),
        "reason": str(progress.hindrance) if progress.hindrance is not None else None,
        "about": progress.about,
        "held_s": progress.held_us // US if running else hold_s if full else 0,
        "hold_s": hold_s,
        "sentence": outcome_sentence(valve, ended) if ended is not None else f"{valve}: {state}.",
    }


def _record(row: OnRecord[Any], what: Finding | Repair) -> dict[str, Any]:
    return {
        "id": row.id, "at": rfc3339(what.at_us), "recorded_at": rfc3339(row.recorded_us),
        "valve": what.valve, "who": what.who, "recorded_by": what.recorded_by or what.who,
        "note": what.note, "cost": cost_shape(what.cost),
        "supersedes": row.supersedes, "superseded_by": row.superseded_by, "withdrawn": row.withdrawn,
        "stands": row.stands,
    }  # fmt: skip


def cost_shape(cost: Cost | None) -> CostShape | None:
    return None if cost is None else {"amount": f"{cost.amount:.2f}", "currency": cost.currency}
