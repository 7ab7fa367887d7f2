"""What was saved by leaving valves alone that only heard a leak: from the site's own counts and costs.

A valve counts that read over the limit before a repair of another valve of its group, was not repaired
itself, and was back near its background once that repair had proved tight: a leak of its own it did not have.
What it would have cost to repair it is taken from the site's own repairs. Without costs nothing is said in
money.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import median

from hissmark.engine.repair_check import Outcome
from hissmark.judge.verdicts import Verdict
from hissmark.publish.times import parse_rfc3339
from hissmark.store.repair_records import Cost, OnRecord, Repair
from hissmark.store.repairs import OutcomeRow


@dataclass(frozen=True, slots=True)
class Spared:
    """How many valves were spared, and what that saved.

    Attributes:
        repairs: repairs that proved tight. neighbours: valves that were left alone rightly, one by one.
        costed: repairs with a cost in `currency`; usual: their median; saved: usual times the neighbours.
    """

    repairs: int
    neighbours: tuple[tuple[int, str], ...]
    costed: int
    usual: Cost | None
    saved: Cost | None

    @property
    def sentence(self) -> str:
        if not self.repairs:
            return "No repair has proved tight yet, so nothing can be said of what was saved."
        many, proved = len(self.neighbours), _count(self.repairs, "proved repair")
        if not many:
            return f"Beside {proved} no other valve of the group read over the limit."
        said = (
            f"{_count(many, 'other valve')} read over the limit before {proved}, "
            f"{'was' if many == 1 else 'were'} left alone, and fell back: "
            f"{'it did not leak' if many == 1 else 'none of them leaked'}."
        )
        if self.usual is None or self.saved is None:
            return f"{said} What that saved cannot be said in money: no repair has a cost yet."
        basis = f"the median of your {_count(self.costed, 'repair')} with a cost, {self.usual}"
        return f"{said} At {basis}, that is {self.saved} not spent."


def spared(
    repairs: Sequence[OnRecord[Repair]], outcomes: Mapping[int, OutcomeRow], limit_db: float
) -> Spared:
    """Of standing repairs; `limit_db` is the rise from which a valve by itself would be under suspicion."""
    proved = [r for r in repairs if r.id in outcomes and _ended_a_leak(r, outcomes[r.id])]
    neighbours = [
        (row.id, valve) for row in proved for valve in _left_alone(row, outcomes[row.id], repairs, limit_db)
    ]
    costs = [r.what.cost for r in repairs if r.what.cost is not None]
    usual, saved, costed = None, None, 0
    if costs:
        currency = Counter(c.currency for c in costs).most_common(1)[0][0]
        amounts = [c.amount for c in costs if c.currency == currency]
        costed = len(amounts)
        usual = Cost(Decimal(median(amounts)).quantize(Decimal("0.01")), currency)
        saved = Cost(usual.amount * len(neighbours), currency) if neighbours else None
    return Spared(len(proved), tuple(neighbours), costed, usual, saved)


def _ended_a_leak(row: OnRecord[Repair], outcome: OutcomeRow) -> bool:
    """It proved tight, and had been the source: not a valve that only heard one and was repaired as well."""
    before = outcome.payload.get("before") or {"channels": []}
    own = [c["verdict"] for c in before["channels"] if c["valve"] == row.what.valve]
    return outcome.outcome == Outcome.TIGHT_AGAIN and own == [Verdict.PASSING.text]


def _left_alone(
    row: OnRecord[Repair], outcome: OutcomeRow, repairs: Sequence[OnRecord[Repair]], limit_db: float
) -> list[str]:
    before, after = outcome.payload.get("before"), outcome.payload.get("after")
    if not before or not after:
        return []
    near_db = float(outcome.payload["near_db"])
    now = {c["channel"]: c["rise_db"] for c in after["channels"]}
    since_us, until_us = parse_rfc3339(before["from"]), outcome.at_us
    touched = {r.what.valve for r in repairs if since_us <= r.what.at_us <= until_us}
    return [
        c["valve"]
        for c in before["channels"]
        if c["valve"] and c["valve"] not in touched
        and c["rise_db"] is not None and c["rise_db"] >= limit_db
        and now.get(c["channel"]) is not None and now[c["channel"]] <= near_db
    ]  # fmt: skip


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
