"""Live state: the latest of everything, told to pages in bounded memory."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.publish.broadcast import Broadcaster
from hissmark.publish.live import LiveState
from support.invented import DEAD, MINUTE_US, PASSING, QUIET, START_US, Invented, invented


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5, "South": 5}) as made:
        yield made


def test_reading_has_channels_in_pipe_order_with_null_for_the_unknown(plant: Invented) -> None:
    plant.tick({"North": DEAD})
    reading = plant.live.reading_json("North")
    assert reading is not None
    assert [c["channel"] for c in reading["channels"]] == [
        "AS-101", "AS-102", "AS-103", "AS-104", "AS-105", "AR-101",
    ]  # fmt: skip
    dead = reading["channels"][2]
    assert (dead["level_db"], dead["health"], dead["verdict"]) == (None, "silent", "not testable")
    assert "NaN" not in json.dumps(reading)
    assert plant.live.reading_json("South") is None


def test_distance_runs_from_the_start_of_the_group(plant: Invented) -> None:
    plant.tick({"North": QUIET})
    reading = plant.live.reading("North")
    assert reading is not None
    steps = [c.distance_m or 0.0 for c in plant.register.groups["North"]]
    assert [c["distance_m"] for c in reading["channels"]] == [
        pytest.approx(sum(steps[1 : i + 1])) for i in range(6)
    ]


def test_a_group_is_fresh_until_its_stale_limit(plant: Invented) -> None:
    plant.hear(["AS-101"])
    plant.tick({"North": QUIET, "South": QUIET}, START_US)
    plant.clock.at_us = START_US + 170_000_000
    assert plant.live.freshness("North", plant.clock.now_us())[1]
    plant.clock.at_us = START_US + 181_000_000
    assert not plant.live.freshness("North", plant.clock.now_us())[1]


def test_slow_sensors_keep_their_group_fresh_for_three_intervals(tmp_path: Path) -> None:
    with invented(tmp_path, {"North": 2}) as plant:
        plant.live._interval_s[:] = 3600
        plant.hear(["AS-101"])
        assert plant.live.freshness("North", START_US + 170 * MINUTE_US)[1]
        assert not plant.live.freshness("North", START_US + 181 * MINUTE_US)[1]


def test_late_and_retained_samples_do_not_make_a_group_fresh(plant: Invented) -> None:
    from dataclasses import replace

    import numpy as np

    from hissmark.decode.columns import Batch, Flag

    batch = Batch(
        np.array([plant.layout.series_index()["AS-101"]], np.int32), np.array([START_US]),
        np.array([24.0]), np.array([Flag.RETAINED], np.uint8),
    )  # fmt: skip
    plant.live.heard(batch)
    assert plant.live.heard_us().max() == 0
    plant.live.heard(replace(batch, flags=np.zeros(1, np.uint8)))
    assert plant.live.heard_us().max() == START_US


def test_restored_readings_come_back_and_strangers_are_left_out(plant: Invented) -> None:
    plant.tick({"North": PASSING})
    kept = plant.live.readings()
    gone = {**kept[0], "group": "Not in the register any more"}
    again = LiveState(plant.layout, plant.clock)
    again.restore([*kept, gone], list(plant.standing.values()))  # type: ignore[list-item]
    assert [r["group"] for r in again.readings()] == ["North"]
    assert again.freshness("North", START_US)[1]


def test_urgent_alarms_come_first(plant: Invented) -> None:
    plant.raise_alarm("XV-101", ago_min=50)
    plant.raise_alarm("XV-201", ago_min=5)
    from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind

    plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-201", AlarmKind.PASSING, "Kari"))
    assert [a.valve for a in plant.live.active()] == ["XV-101", "XV-201"]


async def _collect(broadcaster: Broadcaster, after: int | None) -> list[tuple[int, str]]:
    subscriber, missed = broadcaster.subscribe(after)
    events = missed + await subscriber.next(0.2)
    broadcaster.unsubscribe(subscriber)
    return [(e.number, e.kind) for e in events]


def test_a_page_goes_on_where_it_stopped() -> None:
    broadcaster = Broadcaster()
    for i in range(5):
        broadcaster.send("reading", str(i).encode())
    assert asyncio.run(_collect(broadcaster, 3)) == [(4, "reading"), (5, "reading")]
    assert asyncio.run(_collect(broadcaster, None)) == []


def test_a_page_that_was_away_too_long_is_told_to_begin_anew() -> None:
    broadcaster = Broadcaster(ring=3)
    for i in range(10):
        broadcaster.send("reading", str(i).encode())
    assert asyncio.run(_collect(broadcaster, 2)) == [(10, "resync")]
    assert asyncio.run(_collect(broadcaster, 99)) == [(10, "resync")]
    assert asyncio.run(_collect(broadcaster, 7)) == [(8, "reading"), (9, "reading"), (10, "reading")]


def test_what_is_kept_for_pages_that_come_back_has_a_bounded_weight() -> None:
    broadcaster = Broadcaster(ring_bytes=10_000)
    for _ in range(50):
        broadcaster.send("readings", b"x" * 1000)
    assert 5 < len(broadcaster._ring) < 10
    assert broadcaster._ring_bytes == sum(len(event.wire) for event in broadcaster._ring)
    broadcaster.send("readings", b"x" * 50_000)
    assert len(broadcaster._ring) == 1


def test_a_tick_of_many_groups_is_few_events(tmp_path: Path) -> None:
    with invented(tmp_path, {f"g{i}": 1 for i in range(250)}) as plant:
        plant.tick(dict.fromkeys(plant.layout.group_names, QUIET))
        told = [json.loads(e.data)["groups"] for e in plant.live.broadcast._ring]
    assert [len(groups) for groups in told] == [100, 100, 50]
    assert [g["group"] for groups in told for g in groups] == list(plant.layout.group_names)


def test_a_slow_page_costs_bounded_memory() -> None:
    async def slow() -> tuple[int, list[str]]:
        broadcaster = Broadcaster(queue=10)
        subscriber, _ = broadcaster.subscribe(None)
        sender = threading.Thread(target=lambda: [broadcaster.send("reading", b"x") for _ in range(500)])
        sender.start()
        sender.join()
        await asyncio.sleep(0.1)
        held = len(subscriber._waiting)
        return held, [e.kind for e in await subscriber.next(0.1)]

    held, kinds = asyncio.run(slow())
    assert held <= 10
    assert kinds == ["resync"]


def test_pages_are_told_only_what_changed(plant: Invented) -> None:
    plant.raise_alarm("XV-101")
    before = plant.live.broadcast.number
    plant.live.alarms(list(plant.standing.values()))
    assert plant.live.broadcast.number == before


def test_an_alarm_is_told_again_when_its_sentence_changes(plant: Invented) -> None:
    plant.tick({"North": PASSING})
    plant.raise_alarm("XV-103")
    plant.tick({"North": PASSING})
    kinds = [e.kind for e in plant.live.broadcast._ring]
    assert kinds == ["readings", "alarms", "journal", "readings"]
    plant.tick({"North": QUIET})
    told = json.loads(plant.live.broadcast._ring[-1].data)
    assert told["changed"][0]["sentence"].startswith(
        "XV-103 is passing: 14 dB over its background for 12 min. It has fallen to -0.3 dB meanwhile."
    )


def test_falling_silent_is_told_once(plant: Invented) -> None:
    plant.hear(["AS-101"])
    plant.live.watch_freshness()
    before = plant.live.broadcast.number
    plant.clock.at_us += 200_000_000
    plant.live.watch_freshness()
    plant.live.watch_freshness()
    assert plant.live.broadcast.number == before + 1
    told = json.loads(plant.live.broadcast._ring[-1].data)
    assert told["groups"][0]["group"] == "North"
    assert told["groups"][0]["fresh"] is False


def test_another_register_comes_into_force(plant: Invented) -> None:
    """Groups as they were keep their reading, others wait; pages are told to fetch everything anew."""
    plant.tick({"North": QUIET, "South": QUIET})
    before = plant.live.last_heard()
    first, *others = plant.live.layout.group_names
    kept = {r["group"] for r in plant.live.readings()} - {first}
    edited = Register.of(
        [replace(c, valve="XV-new") if i == 0 else c for i, c in enumerate(plant.live.layout.channels)]
    )
    plant.live.use_layout(Layout.of(edited, plant.live.layout.settings))
    assert plant.live.broadcast.number > 0
    assert {r["group"] for r in plant.live.readings()} == kept
    assert others
    assert plant.live.last_heard() == before
    plant.live.watch_freshness()
    assert plant.live.freshness("no such group", 0) == (0, False)
