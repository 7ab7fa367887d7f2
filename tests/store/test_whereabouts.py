"""Which sensor listened to which valve over time."""

from __future__ import annotations

from dataclasses import replace

from hissmark.engine.register import Channel, Register
from hissmark.store.whereabouts import ALWAYS_US, EVER_US, InForce, Stay, of_channel, of_subject, stays
from support.rig import row_of_valves, valve

FIRST = [*row_of_valves(3), valve("21", "manifold", 0)]


def over(*steps: tuple[list[Channel], dict[str, int]]) -> list[Stay]:
    """Each version comes into force at a thousand times its place in the row."""
    return stays([InForce(Register.of(rows), after, 1000 * i) for i, (rows, after) in enumerate(steps)])


def told(found: list[Stay]) -> list[tuple[str, str, int, int]]:
    return [(s.subject, s.channel.name, s.from_us, s.to_us) for s in found]


def edited(rows: list[Channel], name_: str, **fields: object) -> list[Channel]:
    return [replace(c, **fields) if c.name == name_ else c for c in rows]  # type: ignore[arg-type]


def test_one_register_holds_since_ever() -> None:
    found = over((FIRST, {}))
    assert {(s.from_us, s.to_us) for s in found} == {(ALWAYS_US, EVER_US)}
    assert len(found) == 4


def test_a_moved_sensor_leaves_one_history_with_the_valve_and_one_with_itself() -> None:
    moved = edited(edited(FIRST, "AE-1", valve="XV-9"), "AE-3", notes={"seen": "yes"})
    found = over((FIRST, {}), (moved, {"header": 100, "manifold": 90}))
    assert told(of_subject(found, "XV-1")) == [("XV-1", "AE-1", ALWAYS_US, 101)]
    assert told(of_subject(found, "XV-9")) == [("XV-9", "AE-1", 101, EVER_US)]
    assert told(of_channel(found, "AE-1")) == [
        ("XV-1", "AE-1", ALWAYS_US, 101), ("XV-9", "AE-1", 101, EVER_US)
    ]  # fmt: skip
    assert told(of_subject(found, "XV-3")) == [("XV-3", "AE-3", ALWAYS_US, EVER_US)]  # a note changes nothing


def test_a_valve_whose_sensor_is_replaced_and_that_gets_the_old_one_back() -> None:
    other = edited(FIRST, "AE-2", name="AE-2b", source="AE-2b")
    found = over((FIRST, {}), (other, {"header": 100}), (FIRST, {"header": 200}))
    assert told(of_subject(found, "XV-2")) == [
        ("XV-2", "AE-2", ALWAYS_US, 101), ("XV-2", "AE-2b", 101, 201), ("XV-2", "AE-2", 201, EVER_US)
    ]  # fmt: skip


def test_a_removed_valve_ends_with_its_group_and_another_group_goes_on() -> None:
    found = over((FIRST, {}), (FIRST[1:], {"header": 100, "manifold": 70}))
    assert told(of_subject(found, "XV-1")) == [("XV-1", "AE-1", ALWAYS_US, 101)]
    assert told(of_subject(found, "XV-21")) == [("XV-21", "AE-21", ALWAYS_US, EVER_US)]


def test_a_sensor_that_goes_to_another_group_leaves_when_both_have_closed_the_tick() -> None:
    moved = edited(FIRST, "AE-21", group="header", position=9)
    found = over((FIRST, {}), (moved, {"header": 100, "manifold": 160}))
    assert told(of_subject(found, "XV-21")) == [
        ("XV-21", "AE-21", ALWAYS_US, 161), ("XV-21", "AE-21", 161, EVER_US)
    ]  # fmt: skip


def test_the_part_in_a_span() -> None:
    stay = Stay("XV-1", FIRST[0], 100, 200)
    assert stay.within(150, 300) == (150, 200)
    assert stay.within(200, 300) is None


def test_samples_belong_to_whom_they_were_measured_by_though_their_tick_closed_later() -> None:
    moved = edited(FIRST, "AE-1", valve="XV-9")
    before, after = of_channel(over((FIRST, {}), (moved, {"header": 100})), "AE-1")
    assert (before.to_us, before.until_us) == (101, 1000)
    assert (after.from_us, after.since_us) == (101, 1000)
    assert before.heard_within(0, 2000) == (0, 1000)
    assert after.heard_within(0, 1000) is None


def test_what_a_sensor_heard_before_it_was_registered_is_its_own() -> None:
    """Samples may come late, or bear the times of a wrong clock."""
    (stay,) = of_channel(over((FIRST, {}), ([*FIRST, valve("8", "header", 8)], {"header": 100})), "AE-8")
    assert (stay.from_us, stay.since_us, stay.until_us) == (101, ALWAYS_US, EVER_US)
