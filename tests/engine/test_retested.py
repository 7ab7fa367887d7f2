"""A setting published while a valve is found passing: the verdict meets it at the next tick.

The alarm follows by its off-delay. Live, replayed, restarted and tried alike.
"""

from __future__ import annotations

import numpy as np
import pytest

from engine.test_changes import ask
from engine.test_trials import alone, together
from hissmark.alarms.journal import JournalEntry
from hissmark.engine.change import Level, settings_change
from hissmark.engine.copies import one_group
from hissmark.engine.rerun import Rerun
from hissmark.engine.retested import ENDED, LIMIT, LIMIT_ENDED
from hissmark.engine.standing import rise_limits
from hissmark.engine.variants import Setting
from hissmark.judge.verdicts import Reason, Verdict
from support.lived import HOUR_S, Day, Live, samples_of
from support.rig import QUICK, START_US, US, Rig, learned_rig, reference, row_of_valves, seconds, take

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0}
LEAK = {"AE-1": 27.0, "AE-2": 34.5, "AE-3": 26.0}
TICK_S = 60.0


def passing() -> Rig:
    """XV-2 passes, 9.5 dB over its background; its alarm stands."""
    rig = learned_rig(row_of_valves(3), BASE).run(1800, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    assert rig.events("XV-2") == ["raised"]
    return rig


def publish(rig: Rig, number: int = 1, level: Level = Level.VALVE, **values: float | None) -> None:
    subject = {Level.VALVE: "XV-2", Level.GROUP: "header", Level.SITE: ""}[level]
    ask(rig, number, settings_change(level, subject, values, "Ada", "too many alarms"))


def last_entry(rig: Rig) -> JournalEntry:
    return [e for e in rig.journal if e.valve == "XV-2"][-1]


@pytest.mark.parametrize("level", list(Level))
@pytest.mark.parametrize("limit_db", [11.0, 30.0])
def test_a_limit_raised_above_it_ends_the_verdict_at_the_next_tick(level: Level, limit_db: float) -> None:
    """Also where the rise is within the dead band below the new limit; the alarm follows by its off-delay."""
    rig = passing()
    publish(rig, level=level, rise_limit_db=limit_db)
    ticks = len(rig.ticks)
    rig.run(TICK_S, LEAK)
    assert len(rig.ticks) == ticks + 1
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.QUIET, Reason.RISE_BELOW_THE_LIMIT)
    rig.run(600 + 2 * TICK_S, LEAK)
    assert rig.events("XV-2") == ["raised", "cleared"]
    assert last_entry(rig).reason.endswith(f"the limit published meanwhile asks for {limit_db:.1f} dB")
    assert last_entry(rig).reason.startswith("9.")
    assert not rig.engine.stepper.retest.any()
    rig.run(2 * HOUR_S, LEAK)
    assert rig.events("XV-2") == ["raised", "cleared"]


def test_a_limit_raised_below_it_ends_nothing_and_the_dead_band_holds() -> None:
    rig = passing()
    publish(rig, rise_limit_db=8.0)
    rig.run(1800, LEAK)
    rig.run(1800, {**LEAK, "AE-2": 32.0})  # 7 dB: below the limit, within the dead band
    assert rig.verdict("XV-2") is Verdict.PASSING
    assert rig.events("XV-2") == ["raised"]


def test_a_setting_that_does_not_become_stricter_ends_nothing() -> None:
    """Evidence may be short of what a beginning needs: that alone does not end what stands."""
    rig = passing()
    rig.engine.stepper.evidence[rig.place("XV-2")] = 1.0
    rig.engine.stepper.lead_s[:] = 0.0
    publish(rig, rise_limit_db=5.0, on_delay_s=600.0, margin_db=2.0, odds_limit=2.0)
    assert not rig.engine.stepper.retest.any()
    publish(rig, 2, rise_limit_db=7.0)
    assert rig.engine.stepper.retest.tolist() == [0, LIMIT, 0]
    rig.run(TICK_S, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    assert not rig.engine.stepper.retest.any()


@pytest.mark.parametrize("values", [{"odds_limit": 35.0}, {"margin_db": 20.0, "odds_limit": 33.0}])
def test_more_evidence_asked_for_ends_it_too(values: dict[str, float]) -> None:
    rig = passing()
    publish(rig, **values)
    rig.run(TICK_S, LEAK)
    assert rig.verdict("XV-2") in (Verdict.UNSETTLED, Verdict.CONTESTED)
    rig.run(600 + 2 * TICK_S, LEAK)
    assert [e for e in rig.events("XV-2") if e in ("raised", "cleared")] == ["raised", "cleared"]
    cleared = next(e for e in rig.journal if (e.valve, str(e.event)) == ("XV-2", "cleared"))
    assert cleared.reason.endswith("the settings published meanwhile ask for more evidence than there is")


def test_a_smaller_budget_of_false_alarms_ends_what_its_own_noise_might_be() -> None:
    """The limit that scatter and budget ask for (`judge.noiselimit`) counts like one that is set."""
    rig = passing()
    at = rig.place("XV-2")
    publish(rig, budget_per_year=0.0)
    rig.engine.stepper.baselines.scale[at] = 3.0
    rig.run(TICK_S, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    publish(rig, 2, budget_per_year=0.001)
    rig.run(TICK_S, LEAK)
    scale = rig.engine.stepper.baselines.scale[:, 0]
    assert rise_limits(rig.engine.stepper, scale)[at] > 9.5
    assert rig.verdict("XV-2") is not Verdict.PASSING
    assert rig.engine.stepper.retest[at] == LIMIT_ENDED


def test_while_it_cannot_be_judged_the_verdict_waits_for_its_test() -> None:
    rig = passing()
    deaf = {k: v for k, v in LEAK.items() if k != "AE-2"}
    rig.run(1800, deaf)
    publish(rig, rise_limit_db=30.0)
    rig.run(900, deaf)
    assert rig.verdict("XV-2") is Verdict.NOT_TESTABLE
    assert rig.engine.stepper.passing[rig.place("XV-2")]
    rig.run(900, LEAK)
    assert rig.verdict("XV-2") is Verdict.QUIET


def test_rolled_back_it_passes_again_at_the_next_tick_and_the_alarm_never_ended() -> None:
    rig = passing()
    publish(rig, rise_limit_db=30.0)
    rig.run(5 * TICK_S, LEAK)
    assert rig.verdict("XV-2") is Verdict.QUIET
    assert rig.engine.stepper.retest[rig.place("XV-2")] == LIMIT_ENDED
    publish(rig, 2, rise_limit_db=None)
    rig.run(TICK_S, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING
    rig.run(HOUR_S, LEAK)
    assert rig.events("XV-2") == ["raised"]
    rig.run(HOUR_S, BASE)
    assert rig.events("XV-2") == ["raised", "cleared"]
    assert "back to" in last_entry(rig).reason


def test_a_limit_lowered_below_a_rise_starts_the_verdict_at_the_next_tick() -> None:
    rig = learned_rig(row_of_valves(3), BASE)
    publish(rig, rise_limit_db=12.0)
    rig.run(HOUR_S, LEAK)
    assert (rig.verdict("XV-2"), rig.reason("XV-2")) == (Verdict.QUIET, Reason.RISE_BELOW_THE_LIMIT)
    publish(rig, 2, rise_limit_db=6.0)
    rig.run(TICK_S, LEAK)
    assert rig.verdict("XV-2") is Verdict.PASSING


def test_saved_between_the_change_and_its_tick_nothing_is_lost() -> None:
    """Marked, saved, killed: the restored engine ends the verdict like the one that went on; and while its
    alarm has yet to end, likewise."""
    rig, other = passing(), Rig(row_of_valves(3), seed=2)
    publish(rig, rise_limit_db=11.0)
    for _ in range(2):
        other.engine.restore(rig.engine.snapshot())
        assert other.engine.stepper.retest.tolist() == rig.engine.stepper.retest.tolist() != [0, 0, 0]
        rig.run(3 * TICK_S, LEAK)
        assert rig.engine.stepper.retest[rig.place("XV-2")] & ENDED
    other.now_s, other.rng = rig.now_s - 3 * TICK_S, np.random.default_rng(7)
    begun = len(rig.journal)
    other.run(1200 + 3 * TICK_S, LEAK)
    rig.run(1200, LEAK)
    ended = [(e.at_us, e.valve, str(e.event)) for e in rig.journal[begun:]]
    assert ended == [(e.at_us, e.valve, str(e.event)) for e in other.journal] != []


# --- the same answers, however they are come by ---

CHANGES = ((5.5, {"rise_limit_db": 11.0}), (7.5, {"rise_limit_db": None}), (8.5, {"odds_limit": 38.0}))
DAY = Day(21, leak=(4.0, 10.0, 9.0), hours=11)


def changed() -> Live:
    """A day with a leak, a limit that is raised above it and taken back, and more evidence asked for."""
    channels = [*row_of_valves(3, closed_when="ZT-1 < 2"), reference("9", position=3)]
    rig = Rig(channels, QUICK)
    live, waiting = Live(rig, samples_of(DAY, rig)), list(CHANGES)
    for part in np.array_split(np.arange(len(live.batch)), 200):
        rig.feed(take(live.batch, part))
        while waiting and rig.ticks and seconds(rig.last.at_us) >= waiting[0][0] * HOUR_S:
            live.change(settings_change(Level.VALVE, "XV-2", waiting.pop(0)[1], "Ada", "why not"))
    assert not waiting
    assert rig.events("XV-2") == ["raised", "cleared"] * 2
    return live


@pytest.mark.slow
def test_a_replay_across_the_changes_says_the_same() -> None:
    live = changed()
    rerun = Rerun(one_group(live.rig.layout, "header"), live.changes, ())
    rerun.offer(live.batch)
    assert list(rerun.advance(live.rig.last.at_us)) == live.rig.journal
    whole = Rig(live.rig.channels, QUICK)
    for change in live.changes:
        whole.engine.change(change)
    whole.feed(live.batch)
    assert whole.journal == live.rig.journal


@pytest.mark.slow
def test_a_trial_that_begins_amid_a_leak_ends_it_as_a_published_change_would(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every variant gives what a replay of its own gives; those that raise the limit end the alarm."""
    monkeypatch.setattr("engine.test_trials.FROM_US", START_US + int(5 * HOUR_S * US))
    live = changed()
    variants = [
        (),
        (Setting(Level.VALVE, "XV-1", {"rise_limit_db": 20.0}),),
        (Setting(Level.GROUP, "header", {"rise_limit_db": 14.0}),),
        (Setting(Level.SITE, "", {"odds_limit": 38.0}),),
        (Setting(Level.SITE, "", {"rise_limit_db": 8.0}),),
    ]
    found, _ = together(live, variants, 3)
    for variant, entries in zip(variants, found, strict=True):
        assert entries == alone(live, variant), variant
    first = [str(entries[0].event) for entries in found]
    at_h = [(entries[0].at_us - START_US) / US / HOUR_S for entries in found]
    assert first == ["cleared"] * 5
    assert [h < 5.4 for h in at_h] == [False, False, True, True, False]
