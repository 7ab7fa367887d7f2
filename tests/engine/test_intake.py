"""Which ticks close, when, and with which samples."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from hissmark.decode.columns import Batch, Flag
from hissmark.engine.intake import Intake, Portion
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.engine.settings import CoreSettings
from support.rig import QUICK, START_US, US, row_of_valves, seconds, take, times, valve, with_settings

Rows = list[tuple[str, float, float]]


class Gate:
    """An intake with hands: rows of (name, plant time in s, value)."""

    def __init__(self, channels: Sequence[Channel], settings: CoreSettings = QUICK) -> None:
        self.layout = Layout.of(Register.of(channels), settings)
        self.intake = Intake(self.layout)
        self.index = self.layout.series_index()

    def batch(self, rows: Rows, flag: int = 0) -> Batch:
        return Batch(
            np.array([self.index[r[0]] for r in rows], np.int32),
            np.array([START_US + round(r[1] * US) for r in rows], np.int64),
            np.array([r[2] for r in rows], np.float64),
            np.full(len(rows), flag, np.uint8),
        )

    def accept(self, rows: Rows, flag: int = 0) -> list[int]:
        return self.intake.accept(self.batch(rows, flag)).tolist()

    def close(self) -> list[Portion]:
        return list(self.intake.portions())

    def closed(self, group: int = 0) -> list[float]:
        """Plant times of the group's ticks that close now."""
        return [seconds(p.at_us) for p in self.close() if p.groups[group]]

    def values(self, portion: Portion, name: str) -> list[float]:
        inputs = np.flatnonzero(self.layout.input_series == self.index[name])
        return portion.value[np.isin(portion.input, inputs)].tolist()


def each(names: Sequence[str], start: float, end: float, every: float = 10.0, value: float = 20.0) -> Rows:
    return [(n, t, value) for t in times(start, end, every).tolist() for n in names]


NAMES = ("AE-1", "AE-2", "AE-3")


@pytest.fixture
def gate() -> Gate:
    return Gate(row_of_valves(3))


def test_nothing_closes_without_data(gate: Gate) -> None:
    assert gate.close() == []
    assert gate.accept([]) == []
    assert gate.intake.resume_from_us is None


def test_a_tick_closes_once_every_channel_was_heard_past_it_by_the_lateness(gate: Gate) -> None:
    gate.accept(each(NAMES, 0, 120))
    assert gate.closed() == []
    gate.accept(each(NAMES, 120, 131))
    assert gate.closed() == [60.0]
    gate.accept(each(NAMES, 140, 200))
    assert gate.closed() == [120.0]


def test_ticks_stand_on_full_steps_of_event_time(gate: Gate) -> None:
    gate.accept(each(NAMES, 95, 400))
    assert gate.closed() == [120.0, 180.0, 240.0, 300.0]


def test_a_tick_holds_the_samples_before_it_sorted_by_input_and_time(gate: Gate) -> None:
    rows = each(NAMES, 0, 300)
    rng = np.random.default_rng(3)
    shuffled = [rows[i] for i in rng.permutation(len(rows))]
    gate.accept(shuffled)
    portions = gate.close()
    assert [len(p.input) for p in portions] == [18] * len(portions)
    for p in portions:
        assert (p.time_us < p.at_us).all()
        assert (p.time_us >= p.at_us - 60 * US).all()
        key = p.input.astype(np.int64) * 10**9 + (p.time_us - START_US) // US
        assert (np.diff(key) > 0).all()


def test_of_duplicates_the_first_that_came_stays(gate: Gate) -> None:
    gate.accept([("AE-1", 5.0, 30.0)])
    gate.accept([("AE-1", 5.0, 99.0), ("AE-1", 7.0, 31.0), ("AE-1", 7.0, 98.0)])
    gate.accept(each(NAMES, 60, 200))
    assert gate.values(gate.close()[0], "AE-1") == [30.0, 31.0]


def test_older_than_the_closed_tick_is_late_and_not_judged(gate: Gate) -> None:
    gate.accept(each(NAMES, 0, 200))
    assert gate.closed() == [60.0, 120.0]
    flags = gate.accept([("AE-1", 119.0, 77.0), ("AE-1", 121.0, 78.0), ("AE-1", 119.999999, 79.0)])
    assert flags == [Flag.LATE, 0, Flag.LATE]
    gate.accept(each(NAMES, 200, 300))
    assert 78.0 in gate.values(gate.close()[0], "AE-1")


def test_lateness_is_each_groups_own() -> None:
    gate = Gate([*row_of_valves(2, "a"), *row_of_valves(2, "b")])
    gate.accept(each(("AE-a1", "AE-a2"), 0, 400) + each(("AE-b1", "AE-b2"), 0, 100))
    gate.close()
    assert gate.accept([("AE-a1", 50.0, 1.0), ("AE-b1", 50.0, 1.0)]) == [Flag.LATE, 0]


@pytest.mark.parametrize("flag", [Flag.AHEAD, Flag.RETAINED, Flag.LATE])
def test_what_must_not_be_judged_moves_nothing(gate: Gate, flag: Flag) -> None:
    gate.accept(each(NAMES, 0, 100))
    assert gate.accept(each(NAMES, 100, 400), int(flag)) == [int(flag)] * 90
    assert gate.close() == []


def test_a_time_of_receipt_is_judged_like_any_other(gate: Gate) -> None:
    gate.accept(each(NAMES, 0, 200), int(Flag.RECEIPT_TIME))
    assert gate.closed() == [60.0, 120.0]


def test_a_laggard_is_waited_for(gate: Gate) -> None:
    """Three sensors, one behind a slow gateway: nothing of it is late within the patience."""
    gate.accept(each(NAMES, 0, 300))
    gate.close()
    gate.accept(each(NAMES[:2], 300, 1100))
    assert gate.closed() == [240.0]
    assert gate.accept(each(NAMES[2:], 300, 1100)) == [0] * 80
    portions = gate.close()
    assert all(len(gate.values(p, "AE-3")) == 6 for p in portions)
    assert seconds(portions[-1].at_us) == 1020.0


def test_but_not_longer_than_the_patience(gate: Gate) -> None:
    gate.accept(each(NAMES, 0, 300))
    gate.close()
    gate.accept(each(NAMES[:2], 300, 1500))
    assert gate.closed()[-1] == pytest.approx(1440.0, abs=61)
    assert gate.accept([(NAMES[2], 400.0, 1.0)]) == [Flag.LATE]


def test_a_channel_never_heard_delays_the_start_by_the_patience_and_no_more(gate: Gate) -> None:
    gate.accept(each(NAMES[:2], 0, 850))
    assert gate.closed() == []
    gate.accept(each(NAMES[:2], 850, 1100))
    assert gate.closed()[0] == 60.0


def test_one_clock_that_runs_ahead_makes_nobody_late(gate: Gate) -> None:
    gate.accept(each(NAMES, 0, 300))
    gate.accept([("AE-1", 3000.0 + t, 20.0) for t in range(0, 300, 10)])
    gate.close()
    assert gate.accept(each(NAMES[1:], 300, 600)) == [0] * 60


def test_a_sensor_that_reports_its_own_percentiles_does_not_corroborate_itself() -> None:
    """Three names, one clock."""
    gate = Gate(row_of_valves(3))
    gate.accept(each(("AE-1/L10", "AE-1/L50", "AE-1/L90", "AE-2", "AE-3"), 0, 300))
    gate.accept(each(("AE-1/L10", "AE-1/L50", "AE-1/L90"), 2000, 2300))
    gate.close()
    assert gate.accept(each(("AE-2", "AE-3"), 300, 600)) == [0] * 60


def test_the_survivor_of_a_pair_is_judged_a_patience_later() -> None:
    """Nobody corroborates it any more: what it says is believed once it is 15 minutes old."""
    gate = Gate(row_of_valves(2))
    gate.accept(each(("AE-1", "AE-2"), 0, 300))
    gate.accept(each(("AE-2",), 300, 7200))
    assert gate.closed()[-1] == 7200 - 900 - 60 - 60


def test_the_last_of_many_is_judged_an_hour_later() -> None:
    gate = Gate(row_of_valves(4))
    gate.accept(each(("AE-1", "AE-2", "AE-3", "AE-4"), 0, 300))
    gate.accept(each(("AE-2",), 300, 14_400))
    assert gate.closed()[-1] == 14_400 - 3600 - 60 - 60


def test_a_single_valve_with_a_position_sent_on_change_is_judged_at_once() -> None:
    gate = Gate([valve("1", closed_when="ZT-1 < 2")])
    gate.accept([("ZT-1", 1.0, 0.0), *each(("AE-1",), 0, 3600)])
    assert gate.closed()[-1] == 3480.0


def test_a_group_of_one_channel_needs_no_second_opinion() -> None:
    gate = Gate(row_of_valves(1))
    gate.accept(each(("AE-1",), 0, 200))
    assert gate.closed() == [60.0, 120.0]


def test_a_slow_channel_holds_back_only_by_what_it_still_owes() -> None:
    """One sensor a minute and one an hour in a group: the hourly one does not delay."""
    gate = Gate([valve("1", "g", 0), valve("2", "g", 1, interval_s=3600.0)])
    gate.accept(each(("AE-2",), 0, 7300, 3600) + each(("AE-1",), 0, 7320, 60))
    assert gate.closed()[-1] >= 7200.0


def test_intervals_are_learned_from_what_arrives() -> None:
    gate = Gate(row_of_valves(3))
    rows = each(("AE-1",), 0, 7200, 0.5) + each(("AE-2",), 0, 7200, 60) + each(("AE-3",), 0, 7200, 600)
    gate.accept(sorted(rows, key=lambda r: r[1]))
    gate.close()
    learned = [gate.intake.interval_us[gate.layout.input_channel == c][0] / US for c in range(3)]
    assert learned == pytest.approx([0.5, 60.0, 600.0], rel=0.02)


def test_idle_hours_are_skipped_and_the_first_ticks_after_them_run(gate: Gate) -> None:
    """A plant switched off over the weekend costs nothing: hours are skipped after six of silence."""
    gate.accept(each(NAMES, 0, 300))
    gate.accept(each(NAMES, 172_800, 173_100))
    at = gate.closed()
    assert at == sorted(set(at))
    assert len(at) < 6 * 60 + 30
    assert at[-3:] == [172_920.0, 172_980.0, 173_040.0][-3:] or at[-1] >= 172_980.0
    assert 172_860.0 in at


def test_groups_tick_together_where_they_can() -> None:
    gate = Gate([*row_of_valves(2, "a"), *row_of_valves(2, "b")])
    gate.accept(each(("AE-a1", "AE-a2", "AE-b1", "AE-b2"), 0, 400))
    assert [p.groups.tolist() for p in gate.close()] == [[True, True]] * 5


def test_a_group_that_hears_nothing_holds_up_no_other() -> None:
    gate = Gate([*row_of_valves(2, "a"), *row_of_valves(2, "b")])
    gate.accept(each(("AE-a1", "AE-a2"), 0, 3600))
    assert gate.closed(0)[-1] == 3480.0
    assert gate.closed(1) == []


def shared_tag() -> list[Channel]:
    more = {"upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
    return [*row_of_valves(2, "a", **more), *row_of_valves(2, "b", **more)]


def test_a_tag_shared_by_two_groups_reaches_both_and_is_late_for_each_by_itself() -> None:
    gate = Gate(shared_tag())
    assert (gate.layout.input_series == gate.index["PT-1"]).sum() == 2
    rows = [*each(("AE-a1", "AE-a2", "AE-b1", "AE-b2"), 0, 200), ("PT-1", 30.0, 5.0)]
    gate.accept(sorted(rows, key=lambda r: r[1]))
    first = gate.close()[0]
    assert gate.values(first, "PT-1") == [5.0, 5.0]
    assert sorted(gate.layout.input_group[first.input[first.value == 5.0]].tolist()) == [0, 1]


def test_a_late_process_value_still_tells_the_present_state() -> None:
    """A position that arrives late is the newest there is: it counts from the next tick on, flagged late."""
    gate = Gate([valve("1", closed_when="ZT-1 < 2")])
    gate.accept(each(("AE-1",), 0, 400))
    gate.close()
    assert gate.accept([("ZT-1", 100.0, 80.0)]) == [Flag.LATE]
    gate.accept(each(("AE-1",), 400, 500))
    assert gate.values(gate.close()[0], "ZT-1") == [80.0]
    assert gate.accept([("ZT-1", 90.0, 0.0)]) == [Flag.LATE]
    gate.accept(each(("AE-1",), 500, 600))
    assert all(gate.values(p, "ZT-1") == [] for p in gate.close())


def test_an_irregular_tag_holds_nobody_back() -> None:
    """A position sent only on change: the group ticks on while it says nothing."""
    gate = Gate([valve("1", closed_when="ZT-1 < 2"), valve("2", position=1)])
    gate.accept([("ZT-1", 1.0, 0.0), *each(("AE-1", "AE-2"), 0, 2000)])
    assert gate.closed()[-1] == 1920.0


def test_resume_point_is_the_oldest_last_tick_of_any_group() -> None:
    gate = Gate([*row_of_valves(2, "a"), *row_of_valves(2, "b")])
    gate.accept(each(("AE-a1", "AE-a2"), 0, 600) + each(("AE-b1", "AE-b2"), 0, 250))
    gate.close()
    assert gate.intake.resume_from_us == START_US + 180 * US


@pytest.mark.parametrize("count", range(1, 17))
def test_groups_of_any_size_close_all_their_ticks(count: int) -> None:
    gate = Gate(row_of_valves(count))
    names = [f"AE-{i + 1}" for i in range(count)]
    gate.accept(each(names, 0, 600, 30))
    portions = gate.close()
    assert len(portions) == 8
    assert all(len(p.input) == 2 * count for p in portions)


def test_tick_and_lateness_follow_the_settings() -> None:
    gate = Gate(row_of_valves(2), with_settings(signal={"tick_s": 10, "lateness_s": 5}))
    gate.accept(each(("AE-1", "AE-2"), 0, 60, 1.0))
    assert gate.closed() == [10.0, 20.0, 30.0, 40.0, 50.0]


def test_exhausting_the_ticks_leaves_only_what_waits(gate: Gate) -> None:
    everything = gate.batch(each(NAMES, 0, 290))
    gate.intake.accept(everything)
    portions = gate.close()
    judged = sum(len(p.input) for p in portions)
    assert gate.intake.pending == len(everything) - judged
    assert judged == len(take(everything, everything.time_us < portions[-1].at_us))
