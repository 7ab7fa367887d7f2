"""Since when verdicts stand: many valves at once say the same as one by one, and quickly."""

from __future__ import annotations

import time

import numpy as np
import pytest

from hissmark.store.records import VerdictChange

T0 = 1_772_330_400_000_000


def write_changes(store, valves: int, changes: int) -> None:
    """`changes` for each valve, at times of its own, a second to ten minutes apart."""
    rng = np.random.default_rng(5)
    step_us = rng.integers(1_000_000, 600_000_000, (valves, changes)).cumsum(axis=1)
    rows = [
        VerdictChange(f"XV-{v}", T0 + int(at_us), "quiet", "at background", None)
        for v in range(valves)
        for at_us in step_us[v]
    ]
    with store.writer().transaction() as tx:
        tx.verdict_changes(rows)


@pytest.mark.parametrize("valves", [40, 700])
def test_all_at_once_is_as_one_by_one(store, valves: int) -> None:
    """Moments before the first change, between changes and after the last, of few valves and of many."""
    write_changes(store, valves, 6)
    reader = store.reader()
    rng = np.random.default_rng(7)
    moments = {f"XV-{v}": T0 + int(rng.integers(0, 4_000_000_000)) for v in range(valves)}
    moments["XV-none"] = T0
    one_by_one = {valve: reader.verdict_at(valve, at_us) for valve, at_us in moments.items()}
    wanted = {valve: found.at_us for valve, found in one_by_one.items() if found}
    assert 0 < len(wanted) < len(moments)
    assert reader.verdicts_since(moments) == wanted


def test_nothing_asked_nothing_answered(store) -> None:
    write_changes(store, 1, 1)
    assert store.reader().verdicts_since({}) == {}


def test_ten_thousand_valves_are_one_question(store) -> None:
    """Against asking valve by valve in the same run: several times as fast."""
    write_changes(store, 10_000, 3)
    reader = store.reader()
    moments = {f"XV-{v}": T0 + 10**12 for v in range(10_000)}
    began_s = time.perf_counter()
    found = reader.verdicts_since(moments)
    at_once_s = time.perf_counter() - began_s
    assert len(found) == 10_000
    began_s = time.perf_counter()
    for valve in list(moments)[:500]:
        assert reader.verdict_at(valve, moments[valve]).at_us == found[valve]
    one_by_one_s = (time.perf_counter() - began_s) * 20
    print(f"10,000 valves: {at_once_s:.3f} s at once, {one_by_one_s:.2f} s one by one")
    assert at_once_s < one_by_one_s / 4
