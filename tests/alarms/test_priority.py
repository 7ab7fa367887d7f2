"""Priority from consequence and rise."""

import itertools

import pytest

from hissmark.alarms.journal import AlarmKind, Priority
from hissmark.alarms.priority import priority_of

ORDER = list(Priority)
RISES = (6.0, 9.99, 10.0, 19.99, 20.0, 60.0)


@pytest.mark.parametrize("consequence", ["low", "medium", "high"])
def test_a_louder_leak_never_ranks_lower(consequence: str) -> None:
    ranks = [ORDER.index(priority_of(AlarmKind.PASSING, consequence, rise)) for rise in RISES]
    assert ranks == sorted(ranks)


@pytest.mark.parametrize("rise", RISES)
def test_a_graver_consequence_never_ranks_lower(rise: float) -> None:
    ranks = [ORDER.index(priority_of(AlarmKind.PASSING, c, rise)) for c in ("low", "medium", "high")]
    assert ranks == sorted(ranks)


def test_both_ends_are_used() -> None:
    assert priority_of(AlarmKind.PASSING, "low", 6.0) is Priority.LOW
    assert priority_of(AlarmKind.PASSING, "high", 30.0) is Priority.HIGH


@pytest.mark.parametrize(
    ("kind", "rise"),
    list(itertools.product((AlarmKind.CONTESTED, AlarmKind.SENSOR_FAULT), (*RISES, float("nan")))),
)
def test_what_names_no_leak_is_low(kind: AlarmKind, rise: float) -> None:
    assert priority_of(kind, "high", rise) is Priority.LOW
