"""What repairs have cost together, currency by currency: amounts of different currencies are not added up."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from hissmark.repairs.shapes import CostShape


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
    sums = " and ".join(f"{amount:.2f} {currency}" for currency, amount in spent(costs).items())
    if known == len(costs):
        return f"Together they cost {sums}." if known > 1 else f"It cost {sums}."
    return f"Together {sums} for {known} of {len(costs)}; the others have no cost on record."
