"""The survey rule "of valves that share pipework, the one with the highest steady rise is the source".

The first scene is common practice, no source. The second is energy addition worked out beside the project
(source 50 dB at A, 6 dB lost on the way to B): where backgrounds differ, the plain rule picks the wrong
valve, the leak-only levels do not.
"""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.judge.verdicts import Reason, Verdict
from hissmark.signal.levels import add_levels, leak_only
from support.rig import Rig, learned_rig, row_of_valves

NAMES = [f"AE-{i}" for i in range(1, 6)]
VALVES = [f"XV-{i}" for i in range(1, 6)]
PANEL_DB = [36.0, 40.0, 61.0, 40.0, 40.0]
BACKGROUND_DB, AFTER_DB = 21.0, 23.0


def heard(levels: list[float]) -> dict[str, float]:
    return dict(zip(NAMES, levels, strict=True))


@pytest.fixture(scope="module")
def surveyed() -> Rig:
    """Background 21 dB learned on five closed valves of one panel, then the survey's readings, steady."""
    rig = learned_rig(row_of_valves(5), heard([BACKGROUND_DB] * 5))
    return rig.run(2 * 3600, heard(PANEL_DB))


def test_the_third_is_the_source_and_the_others_hear_spill(surveyed: Rig) -> None:
    assert surveyed.verdicts() == dict(
        zip(VALVES, ["spill", "spill", "passing", "spill", "spill"], strict=True)
    )
    assert surveyed.reason("XV-3") is Reason.HIGHEST_STEADY_RISE
    assert surveyed.value("XV-3", "rise_db") == pytest.approx(40.0, abs=1.0)


def test_one_alarm_and_it_names_the_third(surveyed: Rig) -> None:
    assert surveyed.story() == [("XV-3", "passing", "raised")]
    (entry,) = surveyed.journal
    assert entry.margin_db is not None
    assert entry.margin_db > 15.0


def test_once_it_is_shut_all_read_near_the_background_and_the_alarm_clears() -> None:
    """All five near 23 dB, within 2 dB of the background: the repair is proven."""
    rig = learned_rig(row_of_valves(5), heard([BACKGROUND_DB] * 5)).run(2 * 3600, heard(PANEL_DB))
    rig.run(2 * 3600, heard([AFTER_DB] * 5))
    assert rig.story() == [("XV-3", "passing", "raised"), ("XV-3", "passing", "cleared")]
    assert set(rig.verdicts().values()) == {"quiet"}
    assert rig.last.rise_db == pytest.approx(np.full(5, 2.0), abs=0.6)


#: backgrounds at A and B; levels, rises and energy-subtracted levels as tabled.
TABLE = [
    ((30.0, 30.0), (50.04, 44.17), (20.04, 14.17)),
    ((30.0, 45.0), (50.04, 47.54), (20.04, 2.54)),
    ((45.0, 30.0), (51.19, 44.17), (6.19, 14.17)),
    ((48.0, 20.0), (52.12, 44.02), (4.12, 24.02)),
]
SOURCE_DB, SPILL_DB = 50.0, 44.0


@pytest.mark.parametrize(("background", "level", "rise"), TABLE)
def test_the_table_itself(
    background: tuple[float, float], level: tuple[float, float], rise: tuple[float, float]
) -> None:
    added = add_levels(np.array([background, (SOURCE_DB, SPILL_DB)]), axis=0)
    assert added == pytest.approx(level, abs=0.006)
    assert added - background == pytest.approx(rise, abs=0.006)


@pytest.mark.parametrize(("background", "level", "rise"), TABLE)
def test_leak_only_levels_put_the_source_first_where_rises_do_not(
    background: tuple[float, float], level: tuple[float, float], rise: tuple[float, float]
) -> None:
    found, resolvable = leak_only(np.array(level), np.array(background))
    assert found[0] == pytest.approx(SOURCE_DB, abs=0.02)
    assert found[0] > found[1]
    if resolvable[1]:
        assert found[1] == pytest.approx(SPILL_DB, abs=0.02)


def panel(background: tuple[float, float]) -> tuple[list[float], list[float]]:
    """A and B as the third and fourth of five valves, 6 dB lost a place; backgrounds as tabled."""
    base = [30.0, 30.0, background[0], background[1], 30.0]
    leak = [SOURCE_DB - 6.0 * abs(i - 2) for i in range(5)]
    return base, add_levels(np.array([base, leak]), axis=0).tolist()


@pytest.mark.parametrize(("background", "level", "rise"), TABLE)
def test_the_source_is_named_and_never_its_neighbour(
    background: tuple[float, float], level: tuple[float, float], rise: tuple[float, float]
) -> None:
    base, levels = panel(background)
    assert levels[2:4] == pytest.approx(level, abs=0.006)
    rig = learned_rig(row_of_valves(5), heard(base))
    rig.run(6 * 3600, heard(levels))
    blamed = {v for v, alarm, _ in rig.story() if alarm == "passing"}
    assert "XV-4" not in blamed
    if rise[0] > 6.0:  # rise at the source below which nothing is called a leak by default
        assert blamed == {"XV-3"}
        assert rig.verdict("XV-3") is Verdict.PASSING
    assert rig.last.leak_db[2] == pytest.approx(SOURCE_DB, abs=1.5)
    assert rig.last.leak_db[2] > rig.last.leak_db[3] or np.isnan(rig.last.leak_db[3])


def test_the_reason_says_when_the_plain_rule_does_not_hold() -> None:
    base, levels = panel((45.0, 30.0))
    rig = learned_rig(row_of_valves(5), heard(base)).run(6 * 3600, heard(levels))
    assert rig.reason("XV-3") is Reason.HIGHEST_LEAK_ONLY_LEVEL


def test_the_source_that_rises_least_of_all_is_named() -> None:
    """Row four: the source rises by 4 dB, its neighbour by 24: the group's rise has to reach the limit."""
    base, levels = panel((48.0, 20.0))
    rig = learned_rig(row_of_valves(5), heard(base)).run(12 * 3600, heard(levels))
    assert {v for v, alarm, _ in rig.story() if alarm == "passing"} == {"XV-3"}
    assert rig.reason("XV-3") is Reason.HIGHEST_LEAK_ONLY_LEVEL


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize(("background", "level", "rise"), TABLE)
def test_the_source_is_named_in_small_groups_too(
    count: int, background: tuple[float, float], level: tuple[float, float], rise: tuple[float, float]
) -> None:
    base = [30.0, *background][-count:]
    leak = [SPILL_DB, SOURCE_DB, SPILL_DB][-count:]
    levels = add_levels(np.array([base, leak]), axis=0).tolist()
    names = NAMES[:count]
    rig = learned_rig(row_of_valves(count), dict(zip(names, base, strict=True)))
    rig.run(6 * 3600, dict(zip(names, levels, strict=True)))
    assert {v for v, alarm, _ in rig.story() if alarm == "passing"} == {f"XV-{count - 1}"}
