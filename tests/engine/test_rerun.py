"""A group judged once more from what is stored gives what the service gave, to the last bit, and faster."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.copies import equal, one_group, slots_of
from hissmark.engine.rerun import Rerun
from hissmark.engine.step import Stepper
from support.lived import Day, Live, lived
from support.rig import START_US, take
from support.stirring import in_one_piece
from support.stirring import plant as stirring_plant

LATEST = {"windows.time_us", "windows.low", "windows.middle", "windows.high", "windows.head", "step.said"}
"""The ring of a window may begin elsewhere; `said` is for pages only."""


def rerun(live: Live, group: str, parts: int) -> tuple[list[JournalEntry], Rerun]:
    """The group from the store, read in so many parts, up to where the service has come."""
    found = Rerun(one_group(live.rig.layout, group), live.changes, live.actions)
    index = {name: i for i, name in enumerate(found.layout.names)}
    series = np.array([index.get(name, -1) for name in live.rig.layout.names])[live.batch.series]
    known = take(live.batch, np.flatnonzero(series >= 0))
    own = Batch(series[series >= 0].astype(np.int32), known.time_us, known.value, known.flags)
    entries: list[JournalEntry] = []
    last_us = live.rig.last.at_us
    for part in np.array_split(np.arange(len(own)), parts):
        found.offer(take(own, part))
        heard_us = int(own.time_us[part[-1]]) if len(part) else START_US
        entries += found.advance(min(last_us, heard_us))
    entries += found.advance(last_us)
    return entries, found


def assert_same(live: Live, parts: int = 3) -> Rerun:
    """Journal and state of every group are those of the service; returns the rerun of the last."""
    for group in live.rig.layout.group_names:
        entries, found = rerun(live, group, parts)
        assert entries == [e for e in live.rig.journal if e.group == group]
        assert_same_state(live.rig.engine.stepper, found.stepper, live.rig.layout.group_names.index(group))
    return found


def assert_same_state(site: Stepper, mine: Stepper, group: int) -> None:
    rows, places = site.rows_of(group), len(mine.layout.channels)
    for one, other in zip(slots_of(site), slots_of(mine), strict=True):
        if one.key in LATEST or one.axis in ("input", "pipework"):
            continue
        array = one.array[:, rows] if one.axis == "alarm" else one.array
        array = array[group : group + 1] if one.axis in ("group", "members") else array
        array = array[rows] if one.axis == "channel" else array
        assert equal(array, other.array), one.key
    windows = (np.sort(w.low, axis=1) for w in (site.windows, mine.windows))
    assert equal(next(windows)[rows], next(windows))
    assert places == rows.stop - rows.start


hours = st.floats(2.0, 14.0)
days = st.builds(
    Day,
    seed=st.integers(0, 2**32 - 1),
    noise_db=st.sampled_from([0.1, 0.4, 1.2]),
    jitter_s=st.sampled_from([0.0, 4.0]),
    leak=st.tuples(st.floats(3.0, 6.0), st.floats(6.0, 14.0), st.floats(5.0, 20.0)),
    stroke_h=st.none() | hours,
    gap=st.none() | st.tuples(st.floats(3.0, 5.0), st.floats(5.0, 13.0)),
    hum_db=st.sampled_from([0.0, 4.0]),
    change_h=st.lists(hours, max_size=4).map(tuple),
    act_h=st.none() | hours,
)


@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)  # fmt: skip
@given(days, st.integers(1, 30))
@example(Day(1), 1)
@example(Day(2, gap=(2.0, 8.9), change_h=(4.0, 9.2, 11.0, 12.0), act_h=11.0, leak=(9.5, 13.0, 12.0)), 7)
@example(Day(3, stroke_h=6.0, hum_db=5.0, jitter_s=3.0), 5)
def test_replay_of_the_store_is_what_the_service_did(day: Day, parts: int) -> None:
    """Also across changes of settings in the middle, operators' actions, hours of silence."""
    assert_same(lived(day), parts)


def test_a_plant_with_all_that_happens() -> None:
    rig = in_one_piece()
    live = Live(rig, stirring_plant()[1])
    live.batch = take(live.batch, np.argsort(live.batch.time_us, kind="stable"))
    assert rig.journal
    assert_same(live)


def test_most_of_a_quiet_day_is_judged_many_ticks_at_once() -> None:
    found = assert_same(lived(Day(4, leak=(0.0, 0.0, 0.0))))
    assert found.judged > 850
    assert found.singly < 0.2 * found.judged


def test_slots_longer_than_a_tick_are_judged_tick_by_tick() -> None:
    """A tick of 15 s cuts slots of 10 s, so ticks cannot be told apart by their slots."""
    live = lived(Day(5, tick_s=15, leak=(2.5, 3.0, 14.0), hours=4))
    found = assert_same(live)
    assert found.singly == found.judged
