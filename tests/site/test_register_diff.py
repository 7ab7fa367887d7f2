"""What a new register changes, told channel by channel; rows added and sensors moved by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hissmark.engine.register import Channel, Register
from hissmark.site.candidate import EditError, moved_to, register_of, with_changes, with_rows
from hissmark.site.register_diff import Change, difference, summary
from support.rig import reference, row_of_valves, valve

OLD = [*row_of_valves(3, distance_m=4.0), reference("1", "header", 3), valve("21", "manifold", 0)]


def compared(new: list[Channel]) -> list[tuple[str, Change, list[tuple[str, str, str]]]]:
    found = difference(Register.of(OLD), Register.of(new))
    return [(d.channel, d.change, [(c.column, c.before, c.after) for c in d.cells]) for d in found]


def edited(name_: str, **fields: object) -> list[Channel]:
    return [replace(c, **fields) if c.name == name_ else c for c in OLD]  # type: ignore[arg-type]


def test_no_change() -> None:
    assert compared(OLD) == []
    assert summary([]) == "no change"
    assert compared(OLD[::-1]) == []  # the order of rows says nothing


def test_changed_cells_are_told_with_what_stood_there() -> None:
    assert compared(edited("AE-2", distance_m=12.5, notes={"panel": "7"})) == [
        ("AE-2", Change.CHANGED, [("distance_m", "4", "12.5"), ("panel", "", "7")])
    ]


def test_added_removed_and_moved() -> None:
    new = [*edited("AE-1", valve="XV-77")[:4], valve("31", "annex", 0)]
    kinds = {channel: change for channel, change, _ in compared(new)}
    assert kinds == {"AE-21": Change.REMOVED, "AE-1": Change.MOVED, "AE-31": Change.ADDED}
    assert summary(difference(Register.of(OLD), Register.of(new))) == "1 added, 1 removed, 1 moved"


def test_another_group_is_a_move_but_another_name_of_the_group_is_not() -> None:
    assert [row[1] for row in compared(edited("AE-3", group="manifold", position=5))] == [Change.MOVED]
    renamed = [replace(c, group="north") if c.group == "header" else c for c in OLD]
    assert {row[1] for row in compared(renamed)} == {Change.CHANGED}


def test_a_sensor_replaced_is_told_as_such() -> None:
    found = difference(Register.of(OLD), Register.of(edited("AE-2", name="AE-2b", source="AE-2b")))
    said = {d.change: d.means for d in found}
    assert said[Change.REMOVED].startswith("AE-2b listens to XV-2 from then on")
    assert said[Change.ADDED].startswith("Takes the place of AE-2 on XV-2")


def test_rows_are_added() -> None:
    row = {
        "channel": "AE-9",
        "kind": "valve",
        "valve": "XV-9",
        "group": "header",
        "position": "9",
        "panel": "3",
    }
    register = register_of(with_rows(Register.of(OLD), [row]))
    assert len(register.channels) == len(OLD) + 1
    assert register.valves["XV-9"].notes == {"panel": "3"}


def test_a_sensor_moves_to_a_valve_that_had_another() -> None:
    """The place belongs to the valve, the name to the sensor."""
    register = register_of(moved_to(Register.of(OLD), "AE-1", "XV-3", {}))
    there = register.valves["XV-3"]
    assert (there.name, there.source, there.group, there.position) == ("AE-1", "AE-1", "header", 2)
    assert {c.name for c in register.channels} == {c.name for c in OLD} - {"AE-3"}
    assert "XV-1" not in register.valves


def test_a_sensor_moves_to_a_valve_that_had_none() -> None:
    register = register_of(moved_to(Register.of(OLD), "AE-1", "XV-9", {"group": "manifold", "position": "4"}))
    there = register.valves["XV-9"]
    assert (there.name, there.group, there.position) == ("AE-1", "manifold", 4)


def test_a_reference_point_becomes_the_sensor_of_a_valve() -> None:
    register = register_of(moved_to(Register.of(OLD), "RP-1", "XV-9", {}))
    assert register.valves["XV-9"].kind == "valve"


def test_what_cannot_be_done_is_said() -> None:
    register = Register.of(OLD)
    with pytest.raises(EditError, match=r"There is no channel 'RP-l'\. Did you mean 'RP-1'\?"):
        moved_to(register, "RP-l", "XV-9", {})
    with pytest.raises(EditError, match="AE-1 sits on XV-1 already"):
        moved_to(register, "AE-1", "XV-1", {})
    with pytest.raises(EditError, match="There is no channel"):
        with_changes(register, "nothing like it", {})
