"""The repairs of a site as pages, API and commands ask for them, and as the service follows them up."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from hissmark.engine.register import Register
from hissmark.repairs.checking import Check, Checks, Known
from hissmark.repairs.consequences import BackgroundAt, after_sensor_work, consequences
from hissmark.repairs.sentences import outcome_sentence
from hissmark.repairs.shapes import FindingShape, RepairShape, finding_shape, repair_shape
from hissmark.store.reader import Reader
from hissmark.store.repair_records import Finding, Found, Repair
from hissmark.store.repairs import CorrectionError, News, OutcomeRow, RepairBook

AHEAD_US = 5 * 60 * 1_000_000
"""Clocks differ a little; work further in the future than this has not been done yet."""


class RecordError(ValueError):
    """What was to go on record cannot be so. The message says why."""


@dataclass(frozen=True, slots=True)
class Looked:
    """Everything on record of repairs at one moment."""

    findings: list[FindingShape]
    repairs: list[RepairShape]
    checks: dict[int, Check]


class Desk:
    """Takes records, follows checks. Any thread may use it; checks are followed by one at a time."""

    def __init__(
        self, known: Callable[[], Known], book: RepairBook, reader: Reader, now_us: Callable[[], int]
    ) -> None:
        self.book, self.now_us = book, now_us
        self.background_at: BackgroundAt = lambda valve, at_us: None
        """The baseline of a valve at a moment; None where nobody knows. The service sets it."""
        self.receivers: Callable[[str], Sequence[str]] = lambda group: ()
        """Who gets a letter about repairs in a group. The service sets it."""
        self._known = known
        self._checks = Checks(known, book, reader)
        self._one_at_a_time = threading.Lock()

    @property
    def register(self) -> Register:
        return self._known().register

    def looked(self) -> Looked:
        """Findings and repairs, newest first, each repair with how its check stands now."""
        checks = {check.row.id: self._told(check) for check in self._looked()}
        hold_s = self._known().repair.hold_s
        findings = [finding_shape(row) for row in reversed(self.book.findings())]
        repairs = [repair_shape(row, checks.get(row.id), hold_s) for row in reversed(self.book.repairs())]
        return Looked(findings, repairs, checks)

    def follow_up(self) -> list[tuple[Check, OutcomeRow]]:
        """Put on record what has been found out since; returns what is new."""
        fresh = []
        for check in self._looked():
            row = None if check.ended else self._checks.outcome_of(check, self.now_us())
            if row is not None and self.book.add_outcome(row, self._news(check, row)):
                fresh.append((replace(check, ended=row), row))
        return fresh

    def _news(self, check: Check, row: OutcomeRow) -> News:
        valve = check.row.what.valve
        sentence = f"Repair {row.repair_id}: {outcome_sentence(valve, row)}"
        changes = consequences(check.row, row, self.background_at)
        channel = self.register.valves.get(valve)
        told = self.receivers(channel.group if channel is not None else "")
        return News(valve, sentence, tuple(changes), tuple(told))

    def record_finding(self, finding: Finding, supersedes: int | None = None) -> int:
        """Returns its number; it is on record then. Raises RecordError."""
        self._believable(finding)
        if finding.found is Found.WRONG_VALVE:
            if finding.source is None:
                raise RecordError("For a wrong valve say which one passes instead.")
            if finding.source == finding.valve:
                raise RecordError(f"{finding.source} cannot be the wrong valve and the source at once.")
            self._known_valve(finding.source)
        elif finding.source is not None:
            raise RecordError("Another source can only be named for a wrong valve.")
        return _corrected(lambda: self.book.add_finding(finding, self.now_us(), supersedes=supersedes))

    def record_repair(self, repair: Repair, supersedes: int | None = None) -> int:
        """Returns its number; it is on record then, and its check begins. Raises RecordError."""
        self._believable(repair)
        changes = after_sensor_work(repair) if supersedes is None else []
        return _corrected(
            lambda: self.book.add_repair(repair, self.now_us(), supersedes=supersedes, changes=changes)
        )

    def withdraw(self, kind: str, number: int, who: str, note: str) -> int:
        """Take back a `finding` or `repair`. Raises RecordError."""
        deed = self.book.withdraw_finding if kind == "finding" else self.book.withdraw_repair
        if not note.strip():
            raise RecordError("Say why it is taken back.")
        return _corrected(lambda: deed(number, who, note, self.now_us()))

    def _told(self, check: Check) -> Check:
        """One that has just ended, as it will be on record in a moment."""
        row = None if check.ended else self._checks.outcome_of(check, self.now_us())
        return check if row is None else replace(check, ended=row)

    def _looked(self) -> list[Check]:
        with self._one_at_a_time:
            return self._checks.look()

    def _believable(self, what: Finding | Repair) -> None:
        self._known_valve(what.valve)
        if not what.who.strip():
            raise RecordError("The record needs the name of whoever found or did it.")
        if what.at_us > self.now_us() + AHEAD_US:
            raise RecordError("The time lies in the future: put on record what has been done.")

    def _known_valve(self, valve: str) -> None:
        if valve not in self.register.valves:
            raise RecordError(f"There is no valve {valve} in the register.")


def _corrected(deed: Callable[[], int]) -> int:
    try:
        return deed()
    except CorrectionError as error:
        raise RecordError(str(error)) from None
