"""Signs of life of threads and regular jobs."""

from __future__ import annotations

from hissmark.publish.pulse import GRACE_S, JUDGING, STORING, Chores, Pulse


class Watch:
    """A stopwatch that is set by hand."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


def test_a_thread_that_has_not_begun_is_not_late() -> None:
    assert Pulse(Watch()).read() == ("", 0.0)


def test_what_is_done_in_between_counts_from_its_own_start() -> None:
    watch = Watch()
    pulse = Pulse(watch)
    pulse.beat(JUDGING)
    watch.s += 5
    with pulse.during(STORING):
        watch.s += 7
        assert pulse.read() == (STORING, 7.0)
    assert pulse.read() == (JUDGING, 0.0)
    watch.s += 2
    assert pulse.read() == (JUDGING, 2.0)


def test_a_job_is_overdue_once_it_was_left_out_twice_and_some_minutes_more() -> None:
    watch = Watch()
    chores = Chores(watch)
    chores.plan("often", 60)
    chores.plan("daily", 86_400)
    watch.s += 2 * 60 + GRACE_S + 1
    assert chores.overdue() == {"often": 1.0, "daily": 0.0}
    chores.done("often")
    assert chores.overdue() == {"often": 0.0, "daily": 0.0}
    watch.s += 2 * 86_400
    assert chores.overdue()["daily"] > 0
