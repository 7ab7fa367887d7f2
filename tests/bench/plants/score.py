"""Holds alarms against the truth. Every outcome is a `Record`, to be counted and replayed."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from .group import GroupRun
from .truth import BIN_S, STANDS_DB, STANDS_FOR_BINS, Leak, Truth, first_run

YEAR_S = 365.25 * 86400.0
LATE_S = 1800.0
AFTER_FAULT_S = 6 * 3600.0
PAIR_LOSS_DB = 10.0


@dataclass(frozen=True)
class Raised:
    """One alarm of some method. Times in seconds of plant time; cleared is infinite while it stands."""

    kind: str
    channel: int
    raised_s: float
    cleared_s: float
    reason: str = ""
    margin_db: float | None = None


@dataclass(frozen=True)
class Record:
    """One outcome: an alarm judged, a leak found or missed, a pair, a sensor fault."""

    outcome: str
    method: str
    seed: int
    group: int
    channel: int
    at_s: float
    cause: str = ""
    facts: dict[str, Any] = field(default_factory=dict)

    def line(self) -> dict[str, Any]:
        """The record as a flat object for JSON lines."""
        return asdict(self) | {"at_days": round(self.at_s / 86400.0, 3), "only": f"{self.seed}:{self.group}"}


@dataclass
class Exposure:
    """How long was watched: valve-years in all and with no leak in the group, channel-years."""

    valve_years: float = 0.0
    quiet_valve_years: float = 0.0
    channel_years: float = 0.0

    def add(self, other: Exposure) -> None:
        self.valve_years += other.valve_years
        self.quiet_valve_years += other.quiet_valve_years
        self.channel_years += other.channel_years


def exposure_of(run: GroupRun) -> Exposure:
    """Valve time of a group; quiet time is that in which no leak is there at all."""
    bins = len(run.truth.heard)
    leaking = np.zeros(bins, np.bool_)
    for leak in run.truth.leaks:
        leaking[int(leak.start_s // BIN_S) : int(leak.end_s // BIN_S) + 1] = True
    valves, each = int(run.spec.pipe.valve.sum()), BIN_S / YEAR_S
    return Exposure(bins * valves * each, int((~leaking).sum()) * valves * each, bins * run.spec.width * each)


def score(run: GroupRun, seed: int, method: str, alarms: list[Raised]) -> list[Record]:
    """Every outcome of one method in one group."""
    passing = sorted((a for a in alarms if a.kind == "passing"), key=lambda a: a.raised_s)
    judged = _Judged(run, seed, method)
    records = [judged.alarm(a, passing) for a in passing]
    records += [r for leak in run.truth.leaks for r in judged.leak(leak, passing, alarms)]
    records += judged.pairs(passing)
    records += [judged.contested(a) for a in alarms if a.kind == "contested"]
    faults = [a for a in alarms if a.kind == "sensor-fault"]
    records += judged.faults(faults)
    return records + [r for a in faults if (r := judged.false_fault(a)) is not None]


@dataclass
class _Judged:
    run: GroupRun
    seed: int
    method: str

    @property
    def truth(self) -> Truth:
        return self.run.truth

    def record(self, outcome: str, channel: int, at_s: float, cause: str = "", **facts: Any) -> Record:
        return Record(outcome, self.method, self.seed, self.run.index, channel, float(at_s), cause, facts)

    def alarm(self, alarm: Raised, all_alarms: list[Raised]) -> Record:
        """Right, repeated, wrong valve, false, or a valve that is open without anyone saying so."""
        at, c = alarm.raised_s, alarm.channel
        facts = {
            "hours": round(min(alarm.cleared_s - at, 1e9) / 3600.0, 2),
            "reason": alarm.reason,
            "margin_db": alarm.margin_db,
        }
        for leak in self.truth.leaks:
            if leak.channel == c and leak.start_s <= at <= leak.end_s + LATE_S:
                before = any(a.channel == c and leak.start_s <= a.raised_s < at for a in all_alarms)
                return self.record("repeated" if before else "right", c, at, **facts)
        here = min(int(at // BIN_S), len(self.truth.heard) - 1)
        if self.truth.flowing[max(here - 2, 0) : here + 1, c].any():
            return self.record("open valve named", c, at, **facts)
        leaking = self.leaking(at)
        outcome = "wrong valve" if leaking else "false"
        losses = [
            self.truth.loss_db[k.channel, c] for k in self.truth.leaks if k.start_s <= at <= k.end_s + LATE_S
        ]
        facts["loss_db"] = round(float(min(losses)), 1) if leaking and losses else None
        facts |= {"active": self.active(at), "leaking": leaking}
        return self.record(outcome, c, at, self.cause(at, c, bool(leaking)), **facts)

    def leaking(self, at: float) -> list[str]:
        """Leaks that can be heard anywhere in the group within the last hour."""
        here = int(at // BIN_S)
        return [
            f"channel {k.channel}, {float(k.stand_db[max(here - 6, 0) : here + 1].max()):.0f} dB"
            for k in self.truth.leaks
            if k.start_s <= at <= k.end_s + LATE_S and k.loudest_db[max(here - 6, 0) : here + 1].max() >= 0.0
        ]

    def edges(self) -> list[tuple[float, float, str, int | None]]:
        """(start, end, what, channel or None) of everything that could mislead."""
        found: list[tuple[float, float, str, int | None]] = []
        for e in self.truth.events:
            what = e.kind + (" " + e.detail.split(" ", 1)[1] if e.kind == "mode" else "")
            found.append((e.start_s, e.end_s, what, e.channels[0] if e.channels else None))
        found += [(f.start_s, f.end_s, f"sensor {f.kind}", f.channel) for f in self.truth.faults]
        return found

    def active(self, at: float) -> list[str]:
        """Kinds of nuisance that are on, or were within the last hour."""
        return sorted({w for a, b, w, _ in self.edges() if a <= at <= b + 3600.0})

    def cause(self, at: float, channel: int, leaking: bool) -> str:
        """The likeliest culprit: the own sensor's fault, the latest edge in six hours, or what is on."""
        edges = [e for e in self.edges() if e[3] in (None, channel) or e[2].startswith(("sensor", "steam"))]
        own = [w for a, b, w, c in edges if w[:6] == "sensor" and c == channel and a <= at <= b + 3600.0]
        if own:
            return own[0]
        near = [(at - x, w) for a, b, w, _ in edges for x in (a, b) if 0.0 <= at - x <= 6 * 3600.0]
        near += [
            (at - x, "leak repaired")
            for k in self.truth.leaks
            for x in (k.end_s,)
            if 0 <= at - x <= 6 * 3600.0
        ]
        if near:
            return min(near)[1]
        on = [w for a, b, w, c in edges if a <= at <= b and (c is None or c == channel)]
        return f"{on[-1]} (on for long)" if on else ("spill alone" if leaking else "none")

    def leak(self, leak: Leak, passing: list[Raised], alarms: list[Raised]) -> list[Record]:
        """Found or missed, once for every leak that stands and once more for the fair ones."""
        records = []
        for fair in (False, True):
            passes = leak.passes_at(fair)
            if passes is None or leak.learning:
                continue
            own = [a for a in passing if a.channel == leak.channel and self.during(a, passes, leak.end_s)]
            facts = self.leak_facts(leak, passes)
            outcome = ("found" if own else "missed") + (" fair" if fair else "")
            if own:
                facts["delay_s"] = own[0].raised_s - passes if own[0].raised_s >= leak.start_s else None
            else:
                facts["contested"] = any(
                    a.kind == "contested" and self.during(a, passes, leak.end_s) for a in alarms
                )
                facts["active"] = self.active(passes)
            records.append(self.record(outcome, leak.channel, passes, self.size(leak), **facts))
        return records

    @staticmethod
    def during(alarm: Raised, start_s: float, end_s: float) -> bool:
        return alarm.raised_s <= end_s and alarm.cleared_s >= start_s

    def size(self, leak: Leak) -> str:
        over = leak.stand_db[(leak.stand_db >= STANDS_DB) & leak.testable]
        most = float(np.percentile(over, 90))
        return "6-9 dB" if most < 9 else "9-14 dB" if most < 14 else "14-20 dB" if most < 20 else "over 20 dB"

    def leak_facts(self, leak: Leak, passes: float) -> dict[str, Any]:
        """What may make a leak hard to find."""
        over = (leak.stand_db >= STANDS_DB) & leak.testable
        n, c = self.run.spec.width, leak.channel
        valves = self.run.spec.pipe.valve
        loss = self.truth.loss_db[c]
        to_valves = np.sort(loss[valves])
        heard = np.where(valves, self.run.spec.coupling_db - loss, -np.inf)
        others = [
            k for k in self.truth.leaks if k is not leak and k.start_s < leak.end_s and k.end_s > passes
        ]
        return {
            "peak_db": round(leak.peak_db, 1),
            "stands_hours": round(float(over.sum()) * BIN_S / 3600.0, 1),
            "growing": leak.ramp_s > 600.0,
            "at_end": bool(c in (0, n - 1)),
            "nearest_loss_db": round(float(to_valves[1]), 1),
            "loudest": bool(heard.argmax() == c),
            "cadence_s": int(self.run.spec.cadence_s[c]),
            "second_leak": bool(others),
            "masked": bool(others) and leak.passes_at(True) is None,
            "end_days": round(leak.end_s / 86400.0, 2),
        }

    def pairs(self, passing: list[Raised]) -> list[Record]:
        """Two leaks that stand together for two hours, 10 dB of loss apart or more."""
        records = []
        leaks = [k for k in self.truth.leaks if not k.learning]
        for i, one in enumerate(leaks):
            for two in leaks[i + 1 :]:
                if self.truth.loss_db[one.channel, two.channel] < PAIR_LOSS_DB:
                    continue
                for fair in (False, True):
                    records += self.pair(one, two, fair, passing)
        return records

    def pair(self, one: Leak, two: Leak, fair: bool, passing: list[Raised]) -> list[Record]:
        both = one.testable & two.testable
        for leak in (one, two):
            both = both & ((leak.clear_db if fair else leak.stand_db) >= STANDS_DB)
        start = first_run(both, STANDS_FOR_BINS)
        if start is None:
            return []
        end = min(one.end_s, two.end_s)
        named = [
            any(a.channel == k.channel and self.during(a, start * BIN_S, end) for a in passing)
            for k in (one, two)
        ]
        outcome = ("both named" if all(named) else "pair missed") + (" fair" if fair else "")
        return [self.record(outcome, one.channel, start * BIN_S, f"{sum(named)} named", other=two.channel)]

    def contested(self, alarm: Raised) -> Record:
        leaking = self.leaking(alarm.raised_s)
        cause = self.cause(alarm.raised_s, alarm.channel, bool(leaking))
        return self.record(
            "contested, leak" if leaking else "contested, no leak", alarm.channel, alarm.raised_s, cause
        )

    def faults(self, alarms: list[Raised]) -> list[Record]:
        """Sensor faults recognised or missed; those that nobody could notice are left out."""
        records = []
        for f in self.truth.faults:
            if f.plain_s is None:
                continue
            own = [a for a in alarms if a.channel == f.channel and self.during(a, f.start_s, f.end_s)]
            facts = {"end_days": round(f.end_s / 86400.0, 2), "detail": f.detail}
            if own:
                facts |= {"delay_h": round((own[0].raised_s - f.start_s) / 3600.0, 1), "said": own[0].reason}
            records.append(
                self.record("fault seen" if own else "fault missed", f.channel, f.plain_s, f.kind, **facts)
            )
        return records

    def false_fault(self, alarm: Raised) -> Record | None:
        """A sensor-fault alarm on a sensor that is well; radio gaps are told apart."""
        at, c = alarm.raised_s, alarm.channel
        if any(f.channel == c and f.start_s <= at <= f.end_s + AFTER_FAULT_S for f in self.truth.faults):
            return None
        here = min(int(at // BIN_S), len(self.truth.heard) - 1)
        gap = not self.truth.heard[max(here - 6, 0) : here + 1, c].all()
        leaking = self.leaking(at)
        cause = self.cause(at, c, False) + (", leak in the group" if leaking else "")
        return self.record("fault said in a gap" if gap else "false fault", c, at, cause, said=alarm.reason)
