"""The story of a verdict in a plant where each nuisance occurs: right words, and the numbers of the tick.

Levels and losses of the plants: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from hissmark.engine.change import clock_told, losses_reset
from hissmark.engine.losses import losses_of
from hissmark.engine.story import Recorded, tell, tell_recorded
from hissmark.engine.telling import Lacking, NoteKind, Story
from hissmark.judge.group import PRICE_COINCIDENCE
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, SensorHealth, Verdict
from hissmark.publish.story import changes, told
from support.rig import LEARNED_S, Rig, learned_rig, reference, row_of_valves, valve, with_settings

TAGS = {"ZT-1": 0.5, "PT-1": 40.0, "PT-2": 5.0}
BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
LEAK = {"AE-1": 55.0, "AE-2": 43.0, "AE-3": 42.0, "AE-4": 31.0, "AE-5": 30.0}
OPENED = {"AE-1": 62.0, "AE-2": 55.0, "AE-3": 56.0, "AE-4": 49.0, "AE-5": 50.0}
HOUR_S = 3600


def tagged() -> Rig:
    """XV-1 with position and pressures amid neighbours on sound alone; all learned."""
    first = valve(
        "1", closed_when="ZT-1 < 2", upstream_pressure="PT-1", downstream_pressure="PT-2", position=2
    )
    others = [valve(n, position=p) for n, p in (("4", 0), ("2", 1), ("3", 3), ("5", 4))]
    return learned_rig([*others[:2], first, *others[2:]], BASE, process=TAGS)


def story(rig: Rig, subject: str) -> Story:
    """The story, checked against the tick that it is about."""
    found = tell(rig.engine, rig.place(subject))
    assert found is not None
    assert found.at_us == rig.last.at_us
    assert (found.verdict, found.reason) == (rig.verdict(subject), rig.reason(subject))
    for voice in found.voices:
        for name in ("level_db", "baseline_db", "rise_db"):
            heard = float(rig.value(voice.channel, name))
            said = getattr(voice, name)
            assert said is None if np.isnan(heard) else said == pytest.approx(heard, abs=0.05), name
    return found


def text(found: Story) -> str:
    return "\n".join((*told(found), *changes(found)))


def said(rig: Rig, subject: str, *phrases: str) -> Story:
    found = story(rig, subject)
    for phrase in phrases:
        assert phrase in text(found), text(found)
    return found


def test_before_the_first_tick_there_is_no_story() -> None:
    assert tell(Rig(row_of_valves(2)).engine, 0) is None


def test_quiet() -> None:
    found = said(
        tagged(),
        "XV-1",
        "XV-1: quiet. It is at its background.",
        "Best explanation: nothing.",
        "The highest rise of the group must reach 6 dB",
        "Its rise must reach 3 dB",
        "the only operating condition known",
    )
    assert found.background.state is BaselineState.TRACKING
    assert found.background.windows >= found.background.windows_wanted


def test_passing_and_spill() -> None:
    rig = tagged().run(HOUR_S, LEAK, TAGS)
    found = said(
        rig,
        "XV-1",
        "XV-1: passing.",
        "Best explanation: XV-1 passing.",
        "wanted 2.3 dB",
        "The verdict ends when its rise falls below",
        "held still while something is under suspicion",
    )
    assert found.evidence is not None
    assert found.evidence.odds >= found.evidence.odds_wanted == 2.0
    assert found.evidence.margin_db == pytest.approx(float(rig.last.margin_db[0]), abs=0.05)
    assert found.background.state is BaselineState.HELD
    spill = said(rig, "XV-2", "XV-2: spill. It hears the source along the pipe.", "more margin over XV-1")
    assert Lacking.BETTER_FIT in {w.what for w in spill.wants}


def test_margin_that_is_short_is_said_in_decibels() -> None:
    """`needs 2.6 dB more margin over XV-3`: the difference between what is wanted and what the tick has."""
    rig = learned_rig(row_of_valves(5), BASE)
    rig.run(HOUR_S, {"AE-1": 30.0, "AE-2": 45.0, "AE-3": 44.5, "AE-4": 30.0, "AE-5": 25.0})
    found = said(rig, "XV-2", "XV-2: contested. Two explanations are too close to call.", "over XV-3")
    assert found.evidence is not None
    assert found.evidence.margin_db is not None
    short = found.evidence.margin_wanted_db - found.evidence.margin_db
    assert f"It needs {short:.1f} dB more margin over XV-3" in text(found)
    assert found.evidence.odds_wanted == 8.0
    best, following = found.scores[0], found.scores[1]
    assert {best.source, following.source} == {"XV-2", "XV-3"}
    assert following.behind < 3.0


def test_even_shift() -> None:
    rig = tagged().run(HOUR_S, {k: v + 8 for k, v in BASE.items()}, TAGS)
    found = said(
        rig, "XV-2", "outside noise. The whole group has risen evenly.", "Best explanation: even shift"
    )
    assert found.scores[0].explanation is Explanation.EVEN_SHIFT
    assert all(abs(r) < 1.0 for r in found.scores[0].residual_db if r is not None)
    nothing = next(s for s in found.scores if s.explanation is Explanation.NOTHING)
    assert all(r == pytest.approx(8.0, abs=1.0) for r in nothing.residual_db)


def test_noise_from_outside_with_a_reference_point() -> None:
    channels = [reference("0"), *(valve(str(i), position=i) for i in (1, 2, 3, 4))]
    base = {"RP-0": 22.0, **{f"AE-{i}": BASE[f"AE-{i}"] for i in (1, 2, 3, 4)}}
    rig = learned_rig(channels, base)
    rig.run(HOUR_S, {"RP-0": 45.0, "AE-1": 43.0, "AE-2": 41.0, "AE-3": 39.0, "AE-4": 37.0})
    said(
        rig,
        "XV-1",
        "A reference point rises most, so the noise comes from outside.",
        "Best explanation: outside noise",
        "RP-0 +2",
        "XV-1 passing must fit the group better than 'outside noise'",
    )
    assert changes(story(rig, "RP-0")) == []


def test_open_valve_and_just_stroked() -> None:
    rig = tagged().run(HOUR_S, OPENED, {**TAGS, "ZT-1": 80.0})
    said(rig, "XV-1", "not testable. The valve is open.", "once it is closed (ZT-1 < 2)")
    said(rig, "XV-2", "An open valve nearby explains what is heard.", "XV-1 open or just stroked")
    rig.run(540, BASE, TAGS)
    found = said(rig, "XV-1", "has just been stroked", "min from now, unless it moves again")
    (want,) = found.wants
    assert want.need == 600
    assert want.have is not None
    assert 300 <= want.have <= 600


def test_pressure_difference_too_small() -> None:
    rig = tagged().run(1200, BASE, {**TAGS, "PT-2": 39.5})
    said(rig, "XV-1", "Pressure difference (PT-1 and PT-2) is 0.5 bar, below the 1 bar that a test needs.")


def test_tags_never_heard() -> None:
    channels = [
        valve("1", closed_when="ZT-1 < 2"),
        valve("2", position=1, upstream_pressure="PT-1", downstream_pressure="PT-2"),
        valve("3", position=2),
    ]
    rig = learned_rig(channels, {name: BASE[name] for name in ("AE-1", "AE-2", "AE-3")})
    said(rig, "XV-1", "It waits for position tag ZT-1.")
    said(rig, "XV-2", "It waits for its pressure tags (PT-1 and PT-2).")


def test_silent_sensor() -> None:
    rig = tagged().run(HOUR_S, {k: v for k, v in BASE.items() if k != "AE-2"}, TAGS)
    found = said(
        rig, "XV-2", "It waits for samples of AE-2; the last came 5", "Left out of the comparison: XV-2"
    )
    assert not found.own.used


def test_loose_sensor() -> None:
    rig = tagged().run(5 * HOUR_S, {**BASE, "AE-2": BASE["AE-2"] - 12}, TAGS)
    said(rig, "XV-2", "Its sensor has a fault.", "It waits for its sensor (loose) to be put right.")


def test_stuck_sensor() -> None:
    rig = tagged()
    stand_still = {**BASE, "AE-2": BASE["AE-2"]}
    rig.noise_db = 0.0
    rig.run(5 * HOUR_S, stand_still, TAGS)
    said(rig, "XV-2", "It waits for its sensor (stuck) to be put right.")


def unwell(rig: Rig, subject: str, fault: str) -> None:
    """The story says which fault, leaves the sensor out and goes on with the others."""
    found = said(
        rig, subject, "Its sensor has a fault.", f"It waits for its sensor ({fault}) to be put right."
    )
    assert found.own.health.text == fault
    assert not found.own.used
    assert sum(v.verdict is Verdict.QUIET and v.health is SensorHealth.WELL for v in found.voices) >= 3


def test_saturated_sensor() -> None:
    rig = tagged()
    rig.noise_db = 0.0
    rig.run(2 * HOUR_S, {**BASE, "AE-2": 96.0}, TAGS, every_s=60.0)
    unwell(rig, "XV-2", "saturated")


def test_noisy_sensor() -> None:
    """White noise of 6 dB rms from the electronics; nobody beside hears it."""
    rig, rng = tagged(), np.random.default_rng(5)
    rig.run(
        4 * HOUR_S, {**BASE, "AE-2": lambda t: BASE["AE-2"] + rng.normal(0, 6, len(t))}, TAGS, every_s=60.0
    )
    unwell(rig, "XV-2", "noisy")


def test_drifting_sensor() -> None:
    """It hears half a decibel less each day."""
    quick = with_settings(
        baseline={"follow_s": 86_400, "max_drift_db": 1.0},
        signal={"tick_s": 600, "window_s": 3600, "stale_s": 1800, "slot_s": 60},
    )
    rig = Rig(row_of_valves(5), quick).run(12 * HOUR_S, BASE, every_s=300.0)
    start_s = rig.now_s
    rig.run(7 * 24 * HOUR_S, {**BASE, "AE-2": lambda t: 25.0 - 0.5 * (t - start_s) / 86_400}, every_s=300.0)
    unwell(rig, "XV-2", "drifting")


def test_swapped_sensors() -> None:
    apart = {**BASE, "AE-2": 33.0}
    rig = learned_rig(row_of_valves(5), apart)
    rig.run(4 * HOUR_S, {**apart, "AE-2": apart["AE-5"], "AE-5": apart["AE-2"]}, every_s=60.0)
    unwell(rig, "XV-2", "swapped")
    unwell(rig, "XV-5", "swapped")


def test_clock_wrong() -> None:
    rig = learned_rig(row_of_valves(5), BASE)
    rig.engine.change(rig.engine.admit(clock_told("AE-2", True, 900.0, "15 min ahead", "hissmark")))
    unwell(rig.run(HOUR_S, BASE), "XV-2", "clock wrong")


def test_learning() -> None:
    rig = Rig(row_of_valves(5)).run(1800, BASE)
    found = said(
        rig,
        "XV-2",
        "still being learned: 2 of 5 windows heard, over at least 1 h",
        "It waits for 3 more windows under test conditions.",
        "more of learning",
    )
    assert found.background.state is BaselineState.LEARNING


def test_level_that_moves() -> None:
    rig = tagged()
    start = rig.now_s
    rig.run(900, {**BASE, "AE-2": lambda t: 25.0 + 0.02 * (t - start)}, TAGS)
    found = said(rig, "XV-2", "The level is still moving.", "at most 2.0 dB counts as still")
    assert found.wants[0].what is Lacking.STILL


def test_operating_condition_named_by_a_tag() -> None:
    from hissmark.engine.settings import ConditionRule

    rule = ConditionRule("compressor on", "K-1 > 50")
    settings = with_settings()
    settings = type(settings)(baseline=settings.baseline, conditions=(rule,))
    rig = learned_rig(row_of_valves(3), {k: BASE[k] for k in ("AE-1", "AE-2", "AE-3")}, settings=settings,
                      process={"K-1": 80.0})  # fmt: skip
    found = said(rig, "XV-2", "the operating condition 'compressor on'")
    assert found.background.by_tags
    assert found.background.mode == 1


def test_two_passing_names_both() -> None:
    names = [f"AE-{i + 1}" for i in range(7)]
    rig = learned_rig(row_of_valves(7, joints=4), dict.fromkeys(names, 21.0))
    power = np.full(7, 10**2.1)
    for at in (1, 5):
        power += 10 ** ((55 - 12 * np.abs(np.arange(7) - at)) / 10)
    rig.run(3 * HOUR_S, dict(zip(names, 10 * np.log10(power), strict=True)))
    found = story(rig, "XV-2")
    assert found.scores[0].explanation is Explanation.TWO_PASSING
    assert {found.scores[0].source, found.scores[0].second} == {"XV-2", "XV-6"}
    assert "XV-2 and XV-6 passing" in text(found) or "XV-6 and XV-2 passing" in text(found)


def test_telling_changes_nothing() -> None:
    """Not a bit of the state, so that explaining beside the running service is safe."""
    rig = tagged().run(HOUR_S, LEAK, TAGS)
    before = rig.engine.snapshot()
    for channel in range(5):
        tell(rig.engine, channel)
    assert rig.engine.snapshot() == before


def test_from_the_history_the_same_explanation_wins() -> None:
    """What is left of a tick is enough to compare anew; evidence is not on record."""
    rig = tagged().run(HOUR_S, LEAK, TAGS)
    tick = rig.last
    recorded = Recorded(
        tick.at_us, tick.level_db, tick.baseline_db, tick.scale_db, tick.verdict, tick.reason, tick.health,
        tick.baseline_state, tick.difference_bar, tick.l10_db,
    )  # fmt: skip
    rig.run(HOUR_S, BASE, TAGS)
    found = tell_recorded(rig.engine, rig.place("XV-1"), recorded)
    assert (found.verdict, found.reason) == (Verdict.PASSING, Reason(int(tick.reason[rig.place("XV-1")])))
    assert (found.scores[0].explanation, found.scores[0].source) == (Explanation.ONE_PASSING, "XV-1")
    own = rig.place("XV-1")
    assert (found.background.value_db, found.background.scale_db) == (
        tick.baseline_db[own],
        tick.scale_db[own],
    )
    assert found.background.state == tick.baseline_state[own]
    assert found.evidence is None
    assert "not on record" in text(found)


def test_losses_are_learned_from_an_opening_and_forgotten_on_request() -> None:
    rig = tagged()
    register = losses_of(rig.engine, 0)
    assert register.measured == 0
    assert [p.loss_db for p in register.pairs] == [p.register_db for p in register.pairs]
    rig.run(HOUR_S, OPENED, {**TAGS, "ZT-1": 80.0})
    learned = losses_of(rig.engine, 0)
    assert learned.measured == 1
    assert all(a.sd_db <= b.sd_db for a, b in zip(learned.pairs, register.pairs, strict=True))
    assert any(a.sd_db < 0.9 * b.sd_db for a, b in zip(learned.pairs, register.pairs, strict=True))
    rig.engine.change(rig.engine.admit(losses_reset("header", "Ada")))
    assert losses_of(rig.engine, 0).pairs == register.pairs
    rig.run(HOUR_S, BASE, TAGS)
    assert losses_of(rig.engine, 0) == register  # what the backgrounds tell of the couplings is heard again


def test_what_waits_for_a_slow_neighbours_window_says_so() -> None:
    """AE-4 measures every ten minutes: until its window has turned over after a rise, nobody is blamed."""
    slow = {"AE-4": 600.0, **dict.fromkeys(("AE-1", "AE-2", "AE-3", "AE-5"), 10.0)}
    rig = Rig(row_of_valves(5)).run(6 * HOUR_S, BASE, every_s=slow)
    rig.run(1200, {**BASE, "AE-1": 31.0, "AE-2": 45.0, "AE-3": 33.0}, every_s=slow)
    found = said(rig, "XV-2", "until the windows of its group (10 min its own) have turned over")
    assert Lacking.TURNING in {w.what for w in found.wants}
    assert not any(s.source == "XV-2" for s in found.scores)


def test_beside_an_open_valve_that_is_not_heard_nobody_is_blamed() -> None:
    """Its sensor is silent: how loud the open valve is cannot be told."""
    rig = tagged().run(HOUR_S, BASE, {**TAGS, "ZT-1": 80.0})
    rig.run(HOUR_S, {k: v for k, v in OPENED.items() if k != "AE-1"}, {**TAGS, "ZT-1": 80.0})
    found = said(rig, "XV-2", "Nobody in its group is blamed until the sensor of the valve that is open")
    assert Lacking.DROWNED in {w.what for w in found.wants}


def test_what_begins_just_when_the_operating_condition_changes_has_to_fit_better() -> None:
    """By the price of a coincidence, which the scores contain; what passes already began before it."""
    names = ("AE-1", "AE-2", "AE-3")
    on = {"AE-1": 32.0, "AE-2": 25.0, "AE-3": 30.0}
    rig = Rig(row_of_valves(3))
    for levels in ({k: BASE[k] for k in names}, on) * 2:
        rig.run(LEARNED_S / 2, levels)
    rig.run(1800, {"AE-1": 36.0, "AE-2": 47.0, "AE-3": 37.0})
    assert rig.verdict("XV-2") is Verdict.PASSING
    before = story(rig, "XV-1")
    assert before.notes == ()
    rig.engine.stepper.settled[0] = 1 - before.background.mode
    found = story(rig, "XV-1")
    assert [(n.what, n.value) for n in found.notes] == [(NoteKind.CONDITION_NEW, PRICE_COINCIDENCE)]
    assert "has to fit 6 better (log-likelihood) to be called a leak" in text(found)
    assert story(rig, "XV-2").notes == ()
    was, now = (
        {s.source: s.score for s in told.scores if s.explanation is Explanation.ONE_PASSING}
        for told in (before, found)
    )
    assert now == pytest.approx({**was, "XV-1": was["XV-1"] - 6.0, "XV-3": was["XV-3"] - 6.0})


def test_few_samples_say_how_many_are_needed() -> None:
    rig = tagged().run(1200, {k: v for k, v in BASE.items() if k != "AE-2"}, TAGS).run(130, BASE, TAGS)
    found = said(rig, "XV-2", "slots of the window are filled, ", "are needed.")
    (want, *_) = found.wants
    assert want.have is not None
    assert want.need is not None
    assert want.have < want.need
