"""Many settings at once give for each what a replay of its own gives, to the last bit."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import Change, ChangeKind, Level, settings_change
from hissmark.engine.copies import one_group
from hissmark.engine.rerun import Rerun
from hissmark.engine.trials import Trials
from hissmark.engine.variants import Setting, Variant
from support.lived import HOUR_S, Day, Live, lived
from support.rig import START_US, US, take

FROM_US = START_US + int(2 * HOUR_S * US)


def begun(live: Live, changes: list[Change]) -> tuple[Rerun, Batch]:
    """The group up to where the trial begins, and the samples that follow."""
    rerun = Rerun(one_group(live.rig.layout, "header"), changes, live.actions)
    cut = int(np.searchsorted(live.batch.time_us, FROM_US))
    rerun.offer(take(live.batch, slice(0, cut)))
    list(rerun.advance(FROM_US))
    return rerun, take(live.batch, slice(cut, None))


def alone(live: Live, variant: Variant) -> list[JournalEntry]:
    """The variant replayed by itself: its settings are recorded changes from the start of the trial on."""
    own = [
        Change(c.kind, c.subject, c.operator, c.reason, c.payload, 1000 + i, FROM_US)
        for i, s in enumerate(variant)
        for c in [settings_change(s.level, s.subject, dict(s.values), "ms", "trial")]
    ]
    rerun, rest = begun(live, [*live.changes, *own])
    rerun.offer(rest)
    return list(rerun.advance(live.rig.last.at_us))


def together(live: Live, variants: list[Variant], parts: int) -> tuple[list[list[JournalEntry]], Trials]:
    rerun, rest = begun(live, live.changes)
    trials = Trials(rerun, variants)
    entries: list[list[JournalEntry]] = [[] for _ in variants]
    for part in np.array_split(np.arange(len(rest)), parts):
        trials.offer(take(rest, part))
        upto_us = int(rest.time_us[part[-1]]) if len(part) else FROM_US
        for v, entry in trials.advance(min(upto_us, live.rig.last.at_us)):
            entries[v].append(entry)
    for v, entry in trials.advance(live.rig.last.at_us):
        entries[v].append(entry)
    return entries, trials


VALUES = {
    "rise_limit_db": (3.5, 6.0, 9.0, 14.0),
    "odds_limit": (0.0, 2.0, 8.0),
    "margin_db": (0.0, 3.0, 8.0),
    "on_delay_s": (0.0, 120.0, 3600.0),
    "off_delay_s": (0.0, 600.0),
    "deadband_db": (1.0, 3.0),
    "contested_delay_s": (0.0, 1800.0),
    "fault_delay_s": (0.0, 7200.0),
    "settle_s": (0.0, 3600.0),
    "drift_limit_db": (0.5, 2.0),
    "max_rate_db_per_day": (0.0, 5.0),
}
one_setting = st.sampled_from(sorted(VALUES)).flatmap(
    lambda name: st.builds(
        lambda place, value: Setting(*place, {name: value}),
        st.sampled_from([(Level.SITE, ""), (Level.GROUP, "header"), (Level.VALVE, "XV-2")]),
        st.sampled_from(VALUES[name]),
    )
)
some_variants = st.lists(st.lists(one_setting, max_size=2).map(tuple), min_size=2, max_size=5)
hours = st.floats(2.5, 14.0)
days = st.builds(
    Day,
    seed=st.integers(0, 2**32 - 1),
    noise_db=st.sampled_from([0.4, 1.2]),
    leak=st.tuples(st.floats(3.0, 6.0), st.floats(6.0, 14.0), st.floats(4.0, 12.0)),
    stroke_h=st.none() | hours,
    gap=st.none() | st.tuples(st.floats(3.0, 5.0), st.floats(5.0, 13.0)),
    hum_db=st.sampled_from([0.0, 4.0]),
    act_h=st.none() | hours,
)
GRID: list[Variant] = [
    (Setting(Level.SITE, "", {"rise_limit_db": rise, "odds_limit": odds}),)
    for rise in (3.5, 6.0, 9.0)
    for odds in (0.0, 2.0, 10.0)
]


@settings(
    max_examples=1, deadline=None, suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)  # fmt: skip
@given(days, some_variants, st.integers(1, 20))
@example(Day(11, leak=(5.0, 9.0, 7.0)), GRID, 1)
@example(Day(12, leak=(4.0, 7.0, 9.0), act_h=6.0, noise_db=1.2, hum_db=4.0), GRID[::3], 5)
def test_variants_together_are_variants_alone(day: Day, variants: list[Variant], parts: int) -> None:
    live = lived(day)
    found, _ = together(live, variants, parts)
    for variant, entries in zip(variants, found, strict=True):
        assert entries == alone(live, variant), variant


def test_the_settings_in_force_give_what_happened() -> None:
    """Also where settings were changed on record while the trial lasts."""
    live = lived(Day(13, change_h=(5.0, 8.0), leak=(4.0, 10.0, 9.0)))
    assert [c.kind for c in live.changes] == [ChangeKind.SETTINGS] * 2
    found, _ = together(live, [(), (Setting(Level.SITE, "", {"on_delay_s": 7200.0}),)], 4)
    happened = [e for e in live.rig.journal if e.at_us > FROM_US]
    assert found[0] == happened != []
    assert found[1] != happened


def test_settings_of_other_groups_and_their_valves_change_nothing_here() -> None:
    live = lived(Day(15, leak=(4.0, 6.0, 9.0), hours=8))
    other = (
        Setting(Level.VALVE, "XV-77", {"odds_limit": 30.0}), Setting(Level.GROUP, "b", {"odds_limit": 30.0}),
    )  # fmt: skip
    found, _ = together(live, [(), other], 1)
    assert found[0] == found[1] != []


def test_limits_alone_need_few_lanes() -> None:
    """What variants hear is shared: nine settings, but one state as long as they learn alike."""
    live = lived(Day(14, leak=(5.0, 9.0, 12.0)))
    found, trials = together(live, GRID, 3)
    assert len({tuple(e.at_us for e in entries) for entries in found}) > 1
    assert trials.most_lanes <= 4
    assert trials.singly < 0.6 * trials.judged
