"""Baselines as JSON, for API and commands."""

from __future__ import annotations

from typing import Any

from typing_extensions import TypedDict

from hissmark.engine.known_baselines import Baseline
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.records import ChangeRow
from hissmark.upkeep.needs import Need


class BaselineShape(TypedDict):
    """The baseline of a channel in one operating condition. Levels in dB, null where not learned yet.

    `moved_db`: since it was learned or approved. `floors`: windows it was learned from or has followed, of
    `needs` that it takes; `since` the first, `last` the newest.
    """

    channel: str
    subject: str
    group: str
    condition: int
    condition_name: str
    present: bool
    state: str
    value_db: float | None
    scale_db: float | None
    moved_db: float | None
    usual_spread_db: float | None
    floors: int
    needs: int
    since: str | None
    last: str | None


class NeedShape(TypedDict):
    """A baseline that needs a look, why, and what to do."""

    kind: str
    urgency: float
    says: str
    do: str
    baseline: BaselineShape


class BaselineChangeShape(TypedDict):
    """What somebody did to a baseline. `basis` says where a value that was set comes from."""

    change_id: int
    requested: str
    operator: str
    comment: str
    step: str
    condition: int | None
    value_db: float | None
    scale_db: float | None
    basis: dict[str, Any]
    applied: bool
    outcome: str


def baseline_shape(b: Baseline) -> BaselineShape:
    return {
        "channel": b.channel, "subject": b.subject, "group": b.group, "condition": b.condition,
        "condition_name": b.condition_name, "present": b.present, "state": b.state, "value_db": b.value_db,
        "scale_db": b.scale_db, "moved_db": b.moved_db, "usual_spread_db": b.usual_spread_db,
        "floors": b.floors, "needs": b.needs, "since": rfc3339_or_none(b.since_us),
        "last": rfc3339_or_none(b.last_us),
    }  # fmt: skip


def need_shape(need: Need) -> NeedShape:
    return {
        "kind": need.kind.value, "urgency": round(need.urgency, 3), "says": need.says, "do": need.do,
        "baseline": baseline_shape(need.baseline),
    }  # fmt: skip


def taken_shape(row: ChangeRow) -> BaselineChangeShape:
    payload = row.change.payload
    basis = dict(payload.get("basis") or {})
    for name in ("from_us", "to_us"):
        if name in basis:
            basis[name.removesuffix("_us")] = rfc3339(int(basis.pop(name)))
    return {
        "change_id": row.id, "requested": rfc3339(row.requested_us), "operator": row.change.operator,
        "comment": row.change.reason, "step": str(payload.get("step", "")),
        "condition": payload.get("condition"), "value_db": payload.get("value_db"),
        "scale_db": payload.get("scale_db"), "basis": basis, "applied": row.applied_after_us is not None,
        "outcome": row.outcome or "waiting for the service",
    }  # fmt: skip
