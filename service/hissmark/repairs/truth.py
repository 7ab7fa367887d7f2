"""What is known for sure about a valve, from findings and proved repairs: what tuning is held against.

    for span in truth(book, "XV-104", from_us, to_us): ...

Only what somebody found, or what the sound proved, counts. Between the spans nothing is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hissmark.engine.repair_check import Outcome
from hissmark.judge.verdicts import Verdict
from hissmark.publish.times import parse_rfc3339
from hissmark.repairs.checking import is_checked
from hissmark.store.repair_records import Found, OnRecord, Repair
from hissmark.store.repairs import OutcomeRow, RepairBook, standing


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in which it is known whether a valve passed.

    Attributes:
        from_us, to_us: event time; equal for what is known of one moment only.
        passing: whether it passed.
        basis: what says so, in words: ``finding 4: passing``, ``repair 3: tight again``.
        sensor: the sensor misled: an alarm then was false, whatever the sound was.
    """

    valve: str
    from_us: int
    to_us: int
    passing: bool
    basis: str
    sensor: bool = False


def truth(book: RepairBook, valve: str, from_us: int, to_us: int) -> list[Span]:
    """Every known stretch of a valve that touches [from_us, to_us), by time.

    A valve found passing passed until its next repair: it does not mend itself. A valve whose repair proved
    tight had been passing when it was last heard before, and was tight over the hold time.
    """
    done = [row for row in standing(book.repairs(valve)) if is_checked(row.what)]
    found = [*_of_findings(book, valve, [row.what.at_us for row in done])]
    outcomes = book.outcomes()
    for row in done:
        if row.id in outcomes and outcomes[row.id].outcome == Outcome.TIGHT_AGAIN:
            found += _of_proof(row, outcomes[row.id])
    touching = [s for s in found if s.from_us < to_us and s.to_us >= from_us]
    return sorted(touching, key=lambda s: (s.from_us, s.to_us, s.basis))


def known(book: RepairBook, from_us: int, to_us: int) -> list[Span]:
    """The same of every valve."""
    return [span for valve in known_valves(book) for span in truth(book, valve, from_us, to_us)]


def known_valves(book: RepairBook) -> list[str]:
    """Every valve of which `truth` may know something, by name."""
    found = standing(book.findings())
    named = {row.what.valve for row in found} | {row.what.source for row in found if row.what.source}
    return sorted(named | {row.what.valve for row in standing(book.repairs())})


def _of_findings(book: RepairBook, valve: str, work_us: list[int]) -> Iterator[Span]:
    for row in standing(book.findings()):
        finding, basis = row.what, f"finding {row.id}: {row.what.found}"
        at_us = finding.at_us
        named = finding.found is Found.WRONG_VALVE and finding.source == valve
        if named or (finding.valve == valve and finding.found is Found.PASSING):
            yield Span(valve, at_us, min((w for w in work_us if w >= at_us), default=at_us), True, basis)
        elif finding.valve == valve:
            yield Span(valve, at_us, at_us, False, basis, finding.found is Found.SENSOR)


def _of_proof(row: OnRecord[Repair], outcome: OutcomeRow) -> Iterator[Span]:
    valve, basis = row.what.valve, f"repair {row.id}: {outcome.outcome}"
    before = outcome.payload.get("before")
    own = [c for c in before["channels"] if c["valve"] == valve] if before else []
    if before and own and own[0]["verdict"] == Verdict.PASSING.text:
        yield Span(valve, parse_rfc3339(before["from"]), row.what.at_us, True, basis)
    held = [parse_rfc3339(outcome.payload[name]) for name in ("held_from", "held_to")]
    yield Span(valve, held[0], held[1], False, basis)
