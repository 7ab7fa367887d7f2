"""The last repair of a valve before a moment, for the story of its verdict."""

from __future__ import annotations

from hissmark.publish.story_shapes import RepairedShape
from hissmark.publish.times import rfc3339
from hissmark.repairs.sentences import outcome_sentence, repair_sentence
from hissmark.store.repair_records import ON_THE_SENSOR
from hissmark.store.repairs import RepairBook, standing


def repaired(book: RepairBook, valve: str, at_us: int) -> RepairedShape | None:
    """The last work on `valve` that was done by then, and what its check had found by then; None if none."""
    rows = standing(book.repairs(valve, to_us=at_us + 1))
    if not rows:
        return None
    row = rows[-1]
    repair, ended = row.what, book.outcomes().get(row.id)
    if ended is not None and ended.at_us > at_us:
        ended = None  # not known then
    said = f"On record: {repair_sentence(repair).rstrip('.')}, by {repair.who}, {rfc3339(repair.at_us)}."
    if ended is not None:
        said += f" {outcome_sentence(valve, ended)}"
    elif repair.work not in ON_THE_SENSOR:
        said += " Its check had not ended by then."
    return {
        "at": rfc3339(repair.at_us),
        "work": str(repair.work),
        "who": repair.who,
        "outcome": ended.outcome if ended is not None else None,
        "sentence": said,
    }
