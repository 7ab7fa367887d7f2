"""How far behind the service is: seen through batches with times of their own, by clocks that are moved."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from hissmark.decode.columns import Batch, Flag
from hissmark.publish.pace import LATELY_S, Pacer

NOW_S = 1_772_323_200


@dataclass
class Watched:
    """A pacer and the time, of both clocks."""

    now_s: float = 0.0
    pacer: Pacer = field(init=False)

    def __post_init__(self) -> None:
        self.pacer = Pacer(lambda: int((NOW_S + self.now_s) * 1e6), lambda: self.now_s)

    def stored(self, ages_s: list[float], flags: int = 0) -> None:
        """A sample of each channel, so old."""
        time_us = np.array([(NOW_S + self.now_s - age) * 1e6 for age in ages_s], np.int64)
        series, n = np.arange(len(ages_s), dtype=np.int32), len(ages_s)
        self.pacer.stored(Batch(series, time_us, np.zeros(n), np.full(n, flags, np.uint8)))

    def work_off(self, behind_s: float, gained: float, seconds: int) -> float:
        """Each second a batch that is so much less old."""
        for _ in range(seconds):
            self.now_s += 1.0
            behind_s = max(0.0, behind_s - gained)
            self.stored([behind_s] * 3)
            self.pacer.look(waiting=100)
        return behind_s


def test_behind_is_the_age_of_what_is_stored() -> None:
    watched = Watched()
    watched.stored([1200.0, 1201.0, 1199.0])
    assert watched.pacer.look(5).behind_s == 1200.0
    assert watched.pacer.read().gained is None, "one look tells no pace"


def test_one_wrong_clock_and_what_is_back_filled_say_nothing() -> None:
    watched = Watched()
    watched.stored([2.0, 3.0, -1800.0, 2.5])
    watched.stored([86_400.0] * 50, int(Flag.LATE))
    watched.stored([-90_000.0] * 50, int(Flag.AHEAD))
    assert watched.pacer.look(0).behind_s == pytest.approx(2.5, abs=0.5)


def test_a_pack_counts_by_its_newest_sample() -> None:
    """A gateway that sends an hour at once is not an hour behind."""
    watched = Watched()
    time_us = ((NOW_S - np.arange(3600.0)[::-1]) * 1e6).astype(np.int64)
    n = len(time_us)
    watched.pacer.stored(Batch(np.zeros(n, np.int32), time_us, np.zeros(n), np.zeros(n, np.uint8)))
    assert watched.pacer.look(0).behind_s == 0.0


def test_catching_up_says_when_it_is_there() -> None:
    """A backlog of an hour at ten seconds of plant a second is gone after six minutes; a third is done."""
    watched = Watched()
    behind_s = watched.work_off(3600.0, 10.0, 120)
    pace = watched.pacer.read()
    assert pace.behind_s == pytest.approx(behind_s, abs=10 * LATELY_S)
    assert pace.gained == pytest.approx(10.0, rel=0.05)
    assert pace.ready_in_s == pytest.approx(240.0, rel=0.1)


def test_past_capacity_it_falls_behind() -> None:
    watched = Watched()
    watched.work_off(100.0, -0.5, 60)
    pace = watched.pacer.read()
    assert pace.gained == pytest.approx(-0.5, rel=0.1)
    assert pace.ready_in_s is None


def test_while_nothing_can_be_stored_it_gets_older() -> None:
    watched = Watched()
    watched.stored([5.0] * 3)
    watched.now_s += 100.0
    assert watched.pacer.look(waiting=7).behind_s == pytest.approx(105.0)
    assert watched.pacer.look(waiting=0).behind_s == 0.0, "nothing waits: nobody sends"
