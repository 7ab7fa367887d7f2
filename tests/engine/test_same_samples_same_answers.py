"""However samples are batched and, within the lateness, ordered: the same answers, to the last bit."""

from __future__ import annotations

from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from support.rig import START_US, US, assert_same_ticks, by_group, journal_of
from support.stirring import END_S, LATENESS_S, PATIENCE_S, Arrival, in_one_piece, plant, run


def level_series() -> list[int]:
    """Sensors that may lag. Not RP-2: nobody waits for one that was silent for longer than the patience."""
    rig, _ = plant()
    return [rig.layout.series_index()[name] for name in ("AE-1", "AE-3", "AE-21")]


arrivals = st.builds(
    Arrival,
    seed=st.integers(0, 2**32 - 1),
    jitter_s=st.floats(0.0, LATENESS_S - 1.0),
    lag_s=st.floats(0.0, PATIENCE_S - 2.0 * LATENESS_S),
    laggard=st.sampled_from(level_series()),
    cuts=st.integers(1, 300),
    again=st.sampled_from([0.0, 0.05]),
)
QUIETLY = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a smaller arrival tells no more
)


def test_the_plant_has_something_to_say() -> None:
    """Else the comparisons below would compare nothing."""
    rig = in_one_piece()
    assert rig.events("XV-2") == ["raised", "cleared"]
    assert [e.valve for e in rig.journal if e.event == "raised" and e.alarm == "passing"] == ["XV-2"]
    assert rig.events("RP-2", "sensor-fault") == ["raised", "cleared"]
    said = {rig.reason("XV-21", t).text for t in rig.ticks}
    assert {"open", "just stroked", "no pressure difference", "at background", "baseline learning"} <= said


@QUIETLY
@given(arrivals)
@example(Arrival(0, 0.0, 0.0, 0, 600, 0.0))
@example(Arrival(1, 59.0, 0.0, 0, 1, 0.0))
def test_any_batching_and_order_gives_the_same_answers(arrival: Arrival) -> None:
    one, other = in_one_piece(), run(arrival.batches(plant()[1]))
    assert journal_of(other.ticks) == journal_of(one.ticks)
    assert_same_ticks(by_group(one.ticks, one.layout), by_group(other.ticks, other.layout))


@QUIETLY
@given(seed=st.integers(0, 2**32 - 1), cuts=st.integers(1, 300))
def test_groups_in_step_also_come_out_in_the_same_order(seed: int, cuts: int) -> None:
    """With no sensor silent and no way slower than the lateness, the ticks too come in one order."""
    one = in_one_piece(silence=False)
    other = run(Arrival(seed, LATENESS_S - 1.0, 0.0, 0, cuts, 0.0).batches(plant(silence=False)[1]))
    wanted = [(t.at_us, t.groups.tolist()) for t in one.ticks]
    assert [(t.at_us, t.groups.tolist()) for t in other.ticks] == wanted
    assert other.journal == one.journal != []


def test_a_tick_has_judged_every_sample_before_it_and_none_after() -> None:
    rig = in_one_piece()
    for tick in rig.ticks:
        assert (tick.last_us < tick.at_us).all()
    assert rig.last.at_us > START_US + (END_S - 300) * US
