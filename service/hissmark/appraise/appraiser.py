"""The worth of a valve's leak at a moment: rate, loss, emissions, seat class, with everything they came
from.
"""

from __future__ import annotations

import json
import math
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import AlarmKind
from hissmark.appraise.conditions import Conditions, conditions_of, last_values
from hissmark.appraise.cumulative import Total, total
from hissmark.appraise.knowledge import Fitted, Knowledge
from hissmark.appraise.limits import bound_of, has_tags, with_hole
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.publish.past import readings_from
from hissmark.publish.shapes import ChannelReading, GroupReading
from hissmark.publish.times import parse_rfc3339
from hissmark.store.reader import Reader
from hissmark.upkeep.following import Follower
from hissmark.worth.assumptions import Assumptions
from hissmark.worth.bounds import Bound
from hissmark.worth.emissions import WARMING, Destination, Emissions, emissions
from hissmark.worth.flow import State
from hissmark.worth.media import Medium
from hissmark.worth.money import Loss, heat_of, loss
from hissmark.worth.prediction import Estimate, Heard, Status, estimate
from hissmark.worth.seat_class import Compared, allowed, at_test_ml_min

Readings = Callable[[Sequence[str], int | None], Mapping[str, GroupReading]]
"""The readings of groups at a moment (None: the latest)."""


@dataclass(frozen=True, eq=False, slots=True)
class Worth:
    """One valve's leak, valued.

    Attributes:
        at_us: event time of what was heard; 0 if nothing was.
        estimate: the rate with its interval, or why there is none.
        loss, emissions: None where there is no rate, or nothing that counts.
        classes: allowed leakages of the standards, with how likely the leak is above each.
        bound: the most that can pass by process tags alone; None where none bound it.
        since_us: when the standing alarm was raised; None if none stands. total: lost since then.
        fitted: regression and points. there: pressures and where they are from.
    """

    valve: str
    group: str
    at_us: int
    verdict: str
    estimate: Estimate
    medium: Medium | None
    assumed: Assumptions
    there: Conditions
    fitted: Fitted
    loss: Loss | None
    emissions: Emissions | None
    classes: tuple[Compared, ...]
    since_us: int | None
    total: Total | None
    bound: Bound | None = None

    @property
    def rank(self) -> tuple[float, float]:
        """For ordering: estimated leaks by money, those without a price by mass; then valves that pass
        without
        an estimate, by level alone; then the rest.
        """
        found = self.estimate
        if found.status is Status.ESTIMATED and found.rate_kg_s is not None:
            year = self.loss.money_year if self.loss else None
            return (0.0, -year.middle) if year else (0.5, -found.rate_kg_s.middle)
        level = found.leak_db if found.leak_db is not None else -math.inf
        return (1.0 if self.verdict == Verdict.PASSING.text else 2.0, -level)


class Appraiser:
    """Values the valves of one site. May be used by several threads."""

    def __init__(
        self, layout: Layout | Callable[[], Layout], reader: Reader, readings: Readings | None = None
    ) -> None:
        """`layout` may be a function: a running service takes edits of its register."""
        self._layout = layout
        self.reader = reader
        self.follower = Follower(reader)
        self.readings = readings or stored_readings(self, reader)
        self._lock = threading.Lock()
        self._known: tuple[tuple[int, int], Knowledge] | None = None

    @property
    def layout(self) -> Layout:
        return self._layout() if callable(self._layout) else self._layout

    def knowledge(self, known_us: int | None = None) -> Knowledge:
        """What is on record now (kept until something is added), or what was at a moment."""
        if known_us is not None:
            return Knowledge.read(self.layout.register, self.reader, known_us)
        marks, register = self.reader.worth_marks(), self.layout.register
        with self._lock:
            if self._known is None or self._known[0] != marks or self._known[1].register is not register:
                self._known = marks, Knowledge.read(register, self.reader)
            return self._known[1]

    def worth_of(
        self, valve: str, at_us: int | None = None, *, known_us: int | None = None, sums: bool = True
    ) -> Worth:
        """A valve's worth at a moment (None: now). Raises KeyError for a tag that the register does not have.

        Measured leaks and assumptions are those on record now, also for a moment in the past, so that what
        was learned later tells about then; `known_us` gives what was known at a moment instead.
        `sums=False` leaves out
        what takes time: the loss since it began.
        """
        channel = self.layout.register.valves[valve]
        reading = self.readings([channel.group], at_us).get(channel.group)
        return self._value(channel, reading, at_us, self.knowledge(known_us), sums)

    def worth_of_all(
        self, valves: Sequence[str] | None = None, at_us: int | None = None, *, sums: bool = False
    ) -> list[Worth]:
        """Many valves at once, the most worth first."""
        register = self.layout.register
        tags = list(register.valves) if valves is None else [v for v in valves if v in register.valves]
        channels = [register.valves[tag] for tag in tags]
        readings = self.readings(list(dict.fromkeys(c.group for c in channels)), at_us)
        knowledge = self.knowledge()
        found = [self._value(c, readings.get(c.group), at_us, knowledge, sums) for c in channels]
        return sorted(found, key=lambda worth: worth.rank)

    def _value(
        self,
        channel: Channel,
        reading: GroupReading | None,
        at_us: int | None,
        knowledge: Knowledge,
        sums: bool,
    ) -> Worth:
        row, heard_us = _row_of(channel, reading)
        assumed = knowledge.assumptions(channel)
        medium = assumed.medium
        fitted = knowledge.fitted(channel, medium)
        there = self._conditions(
            channel, assumed, row, heard_us if fitted.fit is not None or has_tags(channel) else None
        )
        rate = self._estimate(channel, row, knowledge, fitted, medium, there.state)
        since_us = self._since(channel, at_us) if sums and fitted.fit is not None else None
        lost = None
        if since_us is not None and fitted.fit is not None and medium is not None:
            lost = total(
                self.follower, channel, fitted.fit, fitted.basis, medium, there.state, since_us, heard_us,
                self.layout.settings.signal.tick_s,
            )  # fmt: skip
        bound = bound_of(channel, assumed, self.reader, heard_us) if sums and heard_us else None
        if bound is not None and medium is not None:
            bound = with_hole(bound, medium, there.state)
        money, air = _money(rate, assumed, medium, there.state)
        return Worth(
            channel.subject, channel.group, heard_us, row["verdict"] if row else "", rate, medium, assumed,
            there, fitted, money, air,
            _classes(channel, rate, assumed, medium, there.state), since_us, lost, bound,
        )  # fmt: skip

    def _conditions(
        self, channel: Channel, assumed: Assumptions, row: ChannelReading | None, at_us: int | None
    ) -> Conditions:
        tags = [channel.upstream_pressure or "", channel.downstream_pressure or ""]
        values = last_values(self.reader, tags, at_us) if at_us else {}
        return conditions_of(channel, assumed, values, row["difference_bar"] if row else None)

    def _estimate(
        self, channel: Channel, row: ChannelReading | None, knowledge: Knowledge, fitted: Fitted,
        medium: Medium | None, state: State | None,
    ) -> Estimate:  # fmt: skip
        if knowledge.has_other_phase(channel, medium):
            return Estimate(Status.OTHER_FLUID, leak_db=row["leak_db"] if row else None)
        heard = Heard(None, None)
        if row is not None and not row["open"]:
            blamed = row["verdict"] == Verdict.PASSING.text
            heard = Heard(row["level_db"], row["baseline_db"], row["scale_db"], blamed)
        return estimate(fitted.fit, fitted.basis, heard, medium, state)

    def _since(self, channel: Channel, at_us: int | None) -> int | None:
        """When the alarm that stands at a moment was raised."""
        found = [
            a.raised_us
            for a in self.reader.alarms_at(at_us if at_us is not None else _EVER, group=channel.group)
            if a.valve == channel.subject and a.alarm is AlarmKind.PASSING and a.active and a.raised_us
        ]
        return found[0] if found else None


_EVER = 2**62


def stored_readings(appraiser: Appraiser, reader: Reader) -> Readings:
    """Readings out of the store, for a site whose service may not run."""

    def read(groups: Sequence[str], at_us: int | None) -> Mapping[str, GroupReading]:
        if at_us is not None:
            return readings_from(appraiser.layout, reader.last_ticks(list(groups), at_us))
        return {row.group: json.loads(row.payload) for row in reader.readings() if row.group in groups}

    return read


def _row_of(channel: Channel, reading: GroupReading | None) -> tuple[ChannelReading | None, int]:
    if reading is None or not reading["at"]:
        return None, 0
    row = next((c for c in reading["channels"] if c["channel"] == channel.name), None)
    return row, parse_rfc3339(reading["at"])


def _money(
    rate: Estimate, assumed: Assumptions, medium: Medium | None, state: State | None
) -> tuple[Loss | None, Emissions | None]:
    if rate.rate_kg_s is None or medium is None or rate.status is not Status.ESTIMATED:
        return None, None
    upstream = state.upstream_pa if state else None
    hours, price = assumed.hours_year, assumed.price_kg(medium, upstream)
    money = loss(rate.rate_kg_s, hours, price, heat_of(medium, upstream), assumed.repair_cost)
    warming = WARMING[next(n for n in WARMING if n.lower() == assumed.text("warming").lower())]
    destination = Destination(assumed.text("destination").lower())
    return money, emissions(money.kg_year, medium, destination, warming)


def _classes(
    channel: Channel, rate: Estimate, assumed: Assumptions, medium: Medium | None, state: State | None
) -> tuple[Compared, ...]:
    """Every class with the probability that the leak is above it; none without a rate and pressures."""
    if (
        rate.status is not Status.ESTIMATED
        or rate.spread is None
        or medium is None
        or state is None
        or state.difference_pa <= 0.0
    ):
        return ()
    size_m = channel.size_mm / 1e3 if channel.size_mm else None
    rows = allowed(size_m, medium, state.difference_pa, assumed.number("flow coefficient"))
    found = []
    for row in rows:
        per_kg_s = at_test_ml_min(1.0, medium, state, row)
        above = None
        if row.ml_min is not None and per_kg_s:
            above = (
                1.0
                if row.ml_min == 0.0
                else 1.0 - float(rate.spread.below(math.log10(row.ml_min / per_kg_s))[0])
            )
        found.append(Compared(row, above))
    return tuple(found)
