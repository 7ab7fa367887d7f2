"""Clocks that are wrong are told by when samples arrive, and from ways that are slow or interrupted."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hissmark.decode.columns import Batch
from hissmark.engine.change import Change, ChangeKind
from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.engine.settings import CoreSettings
from hissmark.ingest.clocks import SERVICE, Clocks
from support.rig import START_US, US, row_of_valves

Delay = Callable[[float], float | None]
"""Time of receipt in seconds -> by how much the newest sample is older, s; None: nothing comes."""
HOUR_S = 3600.0


def heard(
    layout: Layout, delays: dict[str, Delay], hours: float, clocks: Clocks | None = None
) -> list[Change]:
    """One sample a minute from every channel, as it would arrive."""
    clocks = clocks or Clocks(layout, np.zeros(len(layout.channels), bool))
    index, found = layout.series_index(), []
    for now_s in np.arange(0.0, hours * HOUR_S, 60.0):
        rows = [(index[name], now_s - d) for name, delay in delays.items() if (d := delay(now_s)) is not None]
        if not rows:
            continue
        series, times = np.array([r[0] for r in rows], np.int32), np.array([r[1] for r in rows])
        time_us = START_US + (times * US).astype(np.int64)
        batch = Batch(series, time_us, np.full(len(rows), 20.0), np.zeros(len(rows), np.uint8))
        found += clocks.observe(batch, START_US + int(now_s * US))
    return found


@pytest.fixture
def layout() -> Layout:
    return Layout.of(Register.of(row_of_valves(4)), CoreSettings())


def on_time(_: float) -> float:
    return 2.0


def others(**own: Delay) -> dict[str, Delay]:
    return {**{f"AE-{i}": on_time for i in range(1, 5)}, **{k.replace("_", "-"): v for k, v in own.items()}}


@pytest.mark.parametrize(
    ("delay", "says"),
    [
        (lambda _: -300.0, "5 min ahead"),
        (lambda _: -7 * HOUR_S, "420 min ahead"),
        (lambda _: 3602.0, "60 min behind"),
        (lambda t: -900.0 if (t // 600) % 2 else 2.0, "jump"),
    ],
)
def test_a_wrong_clock_is_said_once_in_words(layout: Layout, delay: Delay, says: str) -> None:
    (change,) = heard(layout, others(AE_2=delay), 4.0)
    assert (change.kind, change.subject, change.operator) == (ChangeKind.CLOCK, "AE-2", SERVICE)
    assert change.payload["wrong"] is True
    assert says in change.reason


@pytest.mark.parametrize(
    "delays",
    [
        others(),
        others(AE_2=lambda _: 600.0),  # a slow gateway, within the patience
        others(AE_2=lambda _: -20.0),  # off by what nobody minds
        {f"AE-{i}": lambda _: 5 * HOUR_S for i in range(1, 5)},  # a bridge works off a backlog
        {f"AE-{i}": lambda _: -600.0 for i in range(1, 5)},  # the service's own clock is behind
        others(AE_2=lambda t: None if t < 7200 else max(2.0, 28_800 - 3.0 * t)),  # catches up
        others(AE_2=lambda t: 2.0 if t % HOUR_S == 0 else None),  # reports once an hour
        others(AE_2=lambda t: None if (t // 1800) % 2 else 2.0),  # a way that is interrupted
    ],
)  # fmt: skip
def test_a_way_that_is_slow_or_interrupted_is_no_wrong_clock(
    layout: Layout, delays: dict[str, Delay]
) -> None:
    assert heard(layout, delays, 6.0) == []


def test_a_clock_set_right_is_said_too_and_also_after_a_restart(layout: Layout) -> None:
    wrong_first = others(AE_2=lambda t: -900.0 if t < 2 * HOUR_S else 2.0)
    told = heard(layout, wrong_first, 4.0)
    assert [c.payload["wrong"] for c in told] == [True, False]
    on_record = np.array([c.name == "AE-2" for c in layout.channels])
    again = heard(layout, others(), 2.0, Clocks(layout, on_record))
    assert [(c.subject, c.payload["wrong"]) for c in again] == [("AE-2", False)]


def test_a_sensor_alone_in_its_group_is_compared_with_the_others_of_the_site() -> None:
    layout = Layout.of(Register.of([*row_of_valves(3), *row_of_valves(1, "b")]), CoreSettings())
    delays: dict[str, Delay] = {"AE-1": on_time, "AE-2": on_time, "AE-3": on_time, "AE-b1": lambda _: -600.0}
    assert [c.subject for c in heard(layout, delays, 3.0)] == ["AE-b1"]
