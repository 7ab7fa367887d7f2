"""What repairs cost together: each currency by itself, and nothing passed over in silence."""

from __future__ import annotations

import pytest

from hissmark.repairs.shapes import CostShape
from hissmark.repairs.spent import spent_sentence


def cost(amount: str, currency: str = "EUR") -> CostShape:
    return {"amount": amount, "currency": currency}


@pytest.mark.parametrize(
    ("costs", "said"),
    [
        ([cost("1800.00")], "It cost 1\u202f800.00 EUR."),
        ([cost("1800.00"), cost("0.10"), cost("0.20")], "Together they cost 1\u202f800.30 EUR."),
        ([cost("5.00", "USD"), cost("7.50")], "Together they cost 7.50 EUR and 5.00 USD."),
        ([cost("2.00"), None, None], "Together 2.00 EUR for 1 of 3; the others have no cost on record."),
        ([None], "No repair of the period has a cost on record."),
    ],
)
def test_costs_are_added_up_by_currency(costs: list[CostShape | None], said: str) -> None:
    assert spent_sentence(costs) == said
