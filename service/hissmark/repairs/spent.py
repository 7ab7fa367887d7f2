"""What repairs have cost together, currency by currency: amounts of different currencies are not added up."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from hissmark.repairs.shapes import CostShape
from hissmark.store.repair_records import Cost


def spoken(cost: CostShape | None) -> str:
    """A cost as people write it; nothing where there is none."""
    return "" if cost is None else str(Cost(Decimal(cost["amount"]), cost["currency"]))


def spent(costs: Sequence[CostShape | None]) -> dict[str, Decimal]:
    """Currency -> sum, in order of the alphabet."""
    sums: dict[str, Decimal] = {}
    for cost in costs:
        if cost is not None:
            sums[cost["currency"]] = sums.get(cost["currency"], Decimal(0)) + Decimal(cost["amount"])
    return dict(sorted(sums.items()))


def spent_sentence(costs: Sequence[CostShape | None]) -> str:
    """The sums in words, and how many repairs they leave out."""
    known = sum(cost is not None for cost in costs)
    if not known:
        return "No repair of the period has a cost on record."
    sums = " and ".join(str(Cost(amount, currency)) for currency, amount in spent(costs).items())
    if known == len(costs):
        return f"Together they cost {sums}." if known > 1 else f"It cost {sums}."
    return f"Together {sums} for {known} of {len(costs)}; the others have no cost on record."
