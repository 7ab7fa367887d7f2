"""A group judged once more goes on under the next register exactly as the service did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hissmark.alarms.journal import ActionKind, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.change import Level, settings_change
from hissmark.engine.copies import one_group
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.engine.rerun import Rerun
from hissmark.engine.succession import trials_under_next, under_next
from hissmark.engine.trials import Trials
from hissmark.engine.variants import Setting, Variant
from support.lived import HOUR_S, Day, Live, samples_of
from support.rig import QUICK, START_US, US, Rig, reference, row_of_valves, take, valve

CHANGE_H = 7
BEGIN_US = START_US + int(3 * HOUR_S * US)
ROW = [*row_of_valves(3, closed_when="ZT-1 < 2"), reference("9", position=3)]
NEXT: dict[str, list[Channel]] = {
    "another sensor on a valve": [ROW[0], replace(ROW[1], name="AE-7", source="AE-7"), *ROW[2:]],
    "a valve more": [*ROW, valve("4", position=4)],
    "a valve less": ROW[1:],
    "longer pipes": [ROW[0], *(replace(c, distance_m=40.0, joints=9) for c in ROW[1:])],
    "sensors changed places": [replace(ROW[0], valve="XV-2"), replace(ROW[1], valve="XV-1"), *ROW[2:]],
}
LEAK = Day(21, leak=(5.0, 9.5, 12.0), hours=11)
VARIANTS: list[Variant] = [
    (),
    (Setting(Level.SITE, "", {"on_delay_s": 1800.0}),),
    (Setting(Level.VALVE, "XV-2", {"rise_limit_db": 30.0}),),
    (Setting(Level.SITE, "", {"odds_limit": 8.0}),),
]


class Changed:
    """A day of which a part was judged under one register and the rest under the next."""

    def __init__(self, rows: list[Channel]) -> None:
        self.live = _half_a_day()
        engine = self.live.rig.engine
        self.until_us = int(engine.intake.tick_us[0])
        self.after = Layout.of(Register.of(rows), QUICK)
        following = Engine(self.after)
        following.restore(engine.snapshot())
        self.journal = list(self.live.rig.journal)
        rest = self.heard(self.after)
        cut = int(np.searchsorted(rest.time_us, self.until_us))
        following.accept(take(rest, slice(cut, None)))
        self.journal += [entry for tick in following.advance() for entry in tick.entries]
        self.last_us = int(following.intake.tick_us[0])

    def heard(self, layout: Layout) -> Batch:
        """The whole day's samples as a register names them; a new sensor hears what the one before did."""
        batch, names = self.live.batch, self.live.rig.layout.names
        index = layout.series_index()
        there = [index.get("AE-7" if n == "AE-2" and "AE-2" not in index else n, -1) for n in names]
        series = np.array(there, np.int32)[batch.series]
        order = np.argsort(batch.time_us, kind="stable")
        order = order[series[order] >= 0]
        return Batch(series[order], batch.time_us[order], batch.value[order], batch.flags[order])

    def before(self, until_us: int) -> tuple[Rerun, list[JournalEntry]]:
        layout = one_group(self.live.rig.layout, "header")
        rerun = Rerun(layout, self.live.changes, self.live.actions)
        batch = self.heard(layout)
        rerun.offer(take(batch, slice(0, int(np.searchsorted(batch.time_us, until_us)))))
        return rerun, list(rerun.advance(until_us))


@pytest.fixture(params=NEXT, scope="module")
def changed(request: pytest.FixtureRequest) -> Changed:
    return Changed(NEXT[request.param])


def test_a_replay_across_a_register_change_is_what_the_service_did(changed: Changed) -> None:
    rerun, entries = changed.before(changed.until_us)
    layout = one_group(changed.after, "header")
    following = under_next(rerun, layout, changed.live.changes, changed.live.actions)
    batch = changed.heard(layout)
    following.offer(take(batch, slice(int(np.searchsorted(batch.time_us, changed.until_us)), None)))
    entries += following.advance(changed.last_us)
    assert entries == changed.journal
    assert any(e.at_us > changed.until_us for e in entries)


def test_variants_go_on_across_it_as_replays_of_their_own(changed: Changed) -> None:
    found = _together(changed, VARIANTS)
    assert found[2] == _together(changed, [VARIANTS[2]])[0]
    assert found[0] == [e for e in changed.journal if e.at_us > BEGIN_US]
    assert found[1] != found[0]


def test_a_replay_of_its_own_is_one_with_the_change_on_record(changed: Changed) -> None:
    values = {"on_delay_s": 1800.0}
    own = replace(settings_change(Level.SITE, "", values, "ms", "trial"), id=1000, effective_us=BEGIN_US)
    changes = [*changed.live.changes, own]
    rerun, _ = changed.before(BEGIN_US)
    rerun = Rerun(rerun.layout, changes, changed.live.actions)
    batch = changed.heard(rerun.layout)
    rerun.offer(take(batch, slice(0, int(np.searchsorted(batch.time_us, changed.until_us)))))
    entries = list(rerun.advance(changed.until_us))
    layout = one_group(changed.after, "header")
    following = under_next(rerun, layout, changes, changed.live.actions)
    batch = changed.heard(layout)
    following.offer(take(batch, slice(int(np.searchsorted(batch.time_us, changed.until_us)), None)))
    entries += following.advance(changed.last_us)
    assert _together(changed, [VARIANTS[1]])[0] == [e for e in entries if e.at_us > BEGIN_US]


def _half_a_day() -> Live:
    """Up to the change, an hour at a time: a leak begins, is acknowledged, a setting changes."""
    rig = Rig(ROW, QUICK)
    live = Live(rig, samples_of(LEAK, rig))
    for hour in range(CHANGE_H):
        begin_us = START_US + int(hour * HOUR_S * US)
        rows = (live.batch.time_us >= begin_us) & (live.batch.time_us < begin_us + HOUR_S * US)
        rig.feed(take(live.batch, np.flatnonzero(rows)))
        if hour == 5:
            live.act(ActionKind.ACKNOWLEDGE, "XV-2")
        if hour == 6:
            live.change(settings_change(Level.SITE, "", {"rise_limit_db": 9.0}, "ms", "trial"))
    return live


def _together(changed: Changed, variants: list[Variant]) -> list[list[JournalEntry]]:
    rerun, _ = changed.before(BEGIN_US)
    trials = Trials(rerun, variants)
    found: list[list[JournalEntry]] = [[] for _ in variants]
    for layout, to_us in ((rerun.layout, changed.until_us), (one_group(changed.after, "header"), None)):
        batch, from_us = changed.heard(layout), BEGIN_US if to_us else changed.until_us
        if to_us is None:
            trials = trials_under_next(trials, layout, variants, changed.live.changes, changed.live.actions)
        rows = (batch.time_us >= from_us) & (batch.time_us < (to_us or batch.time_us[-1] + 1))
        trials.offer(take(batch, np.flatnonzero(rows)))
        for v, entry in trials.advance(to_us or changed.last_us):
            found[v].append(entry)
    return found
