"""What a repair changes in the computation, as changes on record.

A proved repair teaches transmission losses, and its hold time shows the valve's background: where that has
moved, the baseline is set to it at once, so that the valve goes on being judged. Work on a sensor has its
background learned anew.
"""

from __future__ import annotations

from collections.abc import Callable

from hissmark.engine.change import BaselineStep, Change, baseline_change, repair_done
from hissmark.engine.repair_check import Outcome
from hissmark.engine.telling import Background
from hissmark.store.repair_records import ON_THE_SENSOR, WORK_WORDS, OnRecord, Repair
from hissmark.store.repairs import AUTHOR, OutcomeRow

MOVED_DB = 1.0
"""A smaller shift of the background is followed by the baseline itself within days."""

BackgroundAt = Callable[[str, int], Background | None]
"""The baseline of a valve at a moment."""


def after_sensor_work(repair: Repair) -> list[Change]:
    """Another sensor, or another contact: what was learned of its background holds no longer."""
    if repair.work not in ON_THE_SENSOR:
        return []
    why = f"{WORK_WORDS[repair.work]}: learned anew"
    return [baseline_change(BaselineStep.RELEARN, repair.valve, repair.recorded_by or repair.who, why)]


def consequences(row: OnRecord[Repair], outcome: OutcomeRow, background_at: BackgroundAt) -> list[Change]:
    """The changes that follow from the outcome of a check; none unless it proved tight."""
    if outcome.outcome != Outcome.TIGHT_AGAIN:
        return []
    repair, why = row.what, f"repair {row.id} proved tight"
    done = repair_done(repair.valve, repair.at_us, AUTHOR, why, {"repair": row.id, "work": str(repair.work)})
    moved = _moved(repair.valve, outcome, why, background_at)
    return [done] if moved is None else [done, moved]


def _moved(valve: str, outcome: OutcomeRow, why: str, background_at: BackgroundAt) -> Change | None:
    """The baseline as the hold time has shown it, if it has moved, in the operating condition of then."""
    own = next((c for c in outcome.payload["after"]["channels"] if c["valve"] == valve), None)
    if own is None or own["rise_db"] is None or abs(own["rise_db"]) < MOVED_DB:
        return None
    known = background_at(valve, outcome.at_us)
    if known is None or known.scale_db is None:
        return None
    return baseline_change(
        BaselineStep.SET, valve, AUTHOR, f"{why}: background over its hold time", condition=known.mode,
        value_db=own["level_db"], scale_db=known.scale_db,
        basis={"from": outcome.payload["held_from"], "to": outcome.payload["held_to"]},
    )  # fmt: skip
