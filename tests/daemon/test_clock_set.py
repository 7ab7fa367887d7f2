"""The machine's clock is set while the service runs: seen at once, and jobs are as far away as before."""

from __future__ import annotations

import pytest

from hissmark.daemon.seconds import ClockWatch


@pytest.mark.parametrize("by_s", [3 * 3600.0, -3 * 3600.0, 45.0])
def test_a_step_is_told_once_with_its_size(by_s: float) -> None:
    wall_s, passed_s = 1_772_323_200.0, 100.0
    watch = ClockWatch(lambda: int(wall_s * 1e6), lambda: passed_s)
    wall_s, passed_s = wall_s + 60.0 + by_s, passed_s + 60.0
    assert watch.look() == pytest.approx(by_s)
    wall_s, passed_s = wall_s + 1.0, passed_s + 1.0
    assert watch.look() == 0.0


def test_a_clock_that_is_slewed_was_not_set() -> None:
    """NTP slews a clock by at most 500 parts in a million (adjtimex(2), from memory)."""
    wall_s, passed_s = 1_772_323_200.0, 100.0
    watch = ClockWatch(lambda: int(wall_s * 1e6), lambda: passed_s)
    for _ in range(100):
        wall_s, passed_s = wall_s + 600.3, passed_s + 600.0
        assert watch.look() == 0.0
