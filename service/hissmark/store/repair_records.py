"""Findings and repairs as plain values: what was found at a valve, what was done to it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Generic, TypeVar


class Found(StrEnum):
    """What somebody found who looked at a valve."""

    PASSING = "passing"
    TIGHT = "tight"
    WRONG_VALVE = "wrong-valve"
    SENSOR = "sensor"


FOUND_WORDS: dict[Found, str] = {
    Found.PASSING: "it passes",
    Found.TIGHT: "it is tight",
    Found.WRONG_VALVE: "wrong valve: another one passes",
    Found.SENSOR: "nothing passes, the sensor misled",
}


class Work(StrEnum):
    """What was done to a valve or its sensor."""

    CLOSED_FULLY = "closed-fully"
    STOPS_SET = "stops-set"
    SEAT_CLEANED = "seat-cleaned"
    SEAT_LAPPED = "seat-lapped"
    SEAT_REPLACED = "seat-replaced"
    TRIM_REPLACED = "trim-replaced"
    VALVE_REPLACED = "valve-replaced"
    SENSOR_REMOUNTED = "sensor-remounted"
    SENSOR_REPLACED = "sensor-replaced"
    OTHER = "other"


WORK_WORDS: dict[Work, str] = {
    Work.CLOSED_FULLY: "closed fully",
    Work.STOPS_SET: "actuator or stops set",
    Work.SEAT_CLEANED: "seat cleaned",
    Work.SEAT_LAPPED: "seat lapped",
    Work.SEAT_REPLACED: "seat replaced",
    Work.TRIM_REPLACED: "trim replaced",
    Work.VALVE_REPLACED: "valve replaced",
    Work.SENSOR_REMOUNTED: "sensor remounted",
    Work.SENSOR_REPLACED: "sensor replaced",
    Work.OTHER: "other work",
}
ON_THE_SENSOR = (Work.SENSOR_REMOUNTED, Work.SENSOR_REPLACED)


@dataclass(frozen=True, slots=True)
class Cost:
    """An amount of money. `currency` is an ISO 4217 code such as EUR."""

    amount: Decimal
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:,.2f} {self.currency}".replace(",", "\u202f")

    @staticmethod
    def read(amount: str, currency: str) -> Cost:
        """Raises ValueError that says what is wrong."""
        try:
            found = Decimal(amount.strip())
        except InvalidOperation:
            raise ValueError(f"{amount!r} is no amount; write it like 1250 or 1250.50") from None
        if not found.is_finite() or not 0 <= found < Decimal(10) ** 12 or round(found, 2) != found:
            raise ValueError(f"{amount!r} is no amount of money (0 or more, at most two decimals)")
        code = currency.strip().upper()
        if not (len(code) == 3 and code.isascii() and code.isalpha()):
            raise ValueError(f"{currency!r} is no currency; write its code of three letters (ISO 4217): EUR")
        return Cost(found, code)


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found at a valve, and by whom.

    Attributes:
        source: the valve that passes instead, for a wrong valve.
        recorded_by: who put it on record, if that was somebody else.
    """

    valve: str
    at_us: int
    found: Found
    who: str
    note: str = ""
    source: str | None = None
    cost: Cost | None = None
    recorded_by: str = ""


@dataclass(frozen=True, slots=True)
class Repair:
    """What was done to a valve, and by whom. `at_us`: when the work was finished.

    `recorded_by`: who put it on record, if that was somebody else.
    """

    valve: str
    at_us: int
    work: Work
    who: str
    note: str = ""
    cost: Cost | None = None
    recorded_by: str = ""


Kind = TypeVar("Kind", Finding, Repair)


@dataclass(frozen=True, slots=True)
class OnRecord(Generic[Kind]):
    """A finding or repair on record.

    Attributes:
        supersedes: number of the row it corrects; None if it is the first.
        superseded_by: number of the row that corrects it; None if it stands.
        withdrawn: it only takes back what it supersedes.
    """

    id: int
    recorded_us: int
    what: Kind
    supersedes: int | None = None
    superseded_by: int | None = None
    withdrawn: bool = False

    @property
    def stands(self) -> bool:
        return self.superseded_by is None and not self.withdrawn
