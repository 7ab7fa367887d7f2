"""The desk where leaks are valued in the running service: takes what is typed, keeps the newest rates at
hand.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable
from dataclasses import dataclass

import sqlalchemy as sa
import structlog

from hissmark.appraise.appraiser import Appraiser, Worth
from hissmark.appraise.limits import has_tags, new_by_tags
from hissmark.appraise.shapes import sentence
from hissmark.publish.times import parse_rfc3339
from hissmark.store.calibrations import Assumption, Calibration, add_assumption, add_calibration
from hissmark.store.errors import StoreError
from hissmark.worth.prediction import Status

log = structlog.get_logger("hissmark.appraise")

LOOK_AGAIN_S = 20.0
"""How often the rates at hand are reckoned anew."""


@dataclass(frozen=True, eq=False)
class WorthDesk:
    """Puts measured leaks and assumptions on record, and keeps the worth of valves that have a rate."""

    appraiser: Appraiser
    writing: sa.Engine
    now_us: Callable[[], int]
    _at_hand: dict[str, Worth] = dataclasses.field(default_factory=dict)
    _lock: threading.Lock = dataclasses.field(default_factory=threading.Lock)

    def add(self, row: Calibration, supersedes: int | None = None) -> Calibration:
        """Put a measured leak or a withdrawal on record, in the place of another if told so."""
        added = add_calibration(self.writing, dataclasses.replace(row, supersedes=supersedes), self.now_us())
        self.look()
        return added

    def assume(self, row: Assumption) -> Assumption:
        """Put an assumption on record."""
        added = add_assumption(self.writing, row, self.now_us())
        self.look()
        return added

    def look(self) -> None:
        """Reckon the rates of now for all valves with a measured leak, and take what process tags measure."""
        self._take_from_tags()
        tags = list(self.appraiser.knowledge().points)
        found = {w.valve: w for w in self.appraiser.worth_of_all(tags)}
        with self._lock:
            self._at_hand.clear()
            self._at_hand.update(found)

    def _take_from_tags(self) -> None:
        knowledge, reader = self.appraiser.knowledge(), self.appraiser.reader
        for channel in self.appraiser.layout.channels:
            if channel.valve is None or not has_tags(channel):
                continue
            reading = self.appraiser.readings([channel.group], None).get(channel.group)
            if reading is None or not reading["at"]:
                continue
            row = new_by_tags(channel, knowledge, reader, parse_rfc3339(reading["at"]))
            if row is not None:
                add_calibration(self.writing, row, self.now_us())

    def at_hand(self) -> list[Worth]:
        """The newest worth of every valve with a measured leak, a few seconds old."""
        with self._lock:
            return list(self._at_hand.values())

    def said(self, valve: str) -> str:
        """How much leaks, with its interval, as a sentence; empty where there is no estimate."""
        return _said(self.of(valve))

    def said_as_it_begins(self, valve: str) -> str:
        """The same for a leak that has just begun: reckoned now, not a few seconds ago."""
        if self.of(valve) is None:
            return ""
        try:
            return _said(self.appraiser.worth_of(valve, sums=False))
        except StoreError as error:
            log.warning("a leak that begins could not be valued", valve=valve, reason=str(error))
            return ""

    def said_then(self, valve: str, at_us: int) -> str:
        """The same of a moment in the past."""
        return _said(self.appraiser.worth_of(valve, at_us, sums=False))

    def of(self, valve: str) -> Worth | None:
        """The same of one valve; None if no leak of it was ever measured."""
        with self._lock:
            return self._at_hand.get(valve)


def _said(found: Worth | None) -> str:
    return sentence(found) if found is not None and found.estimate.status is Status.ESTIMATED else ""
