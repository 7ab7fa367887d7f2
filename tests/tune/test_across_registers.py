"""Trials over a period in which the register changed: every stretch under the register of its time."""

from __future__ import annotations

import pytest

from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel, Register
from hissmark.reports.sources import HOUR_US, rises
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.whereabouts import InForce
from hissmark.tune.stages import lineage_of
from hissmark.upkeep.following import Follower
from support.rig import QUICK, START_US, row_of_valves, valve
from support.tuned_past import Past, at, lived_past_across_registers


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Past:
    return lived_past_across_registers(tmp_path_factory.mktemp("registers") / "site")


def test_what_happened_across_two_registers_is_reproduced(past: Past) -> None:
    raised = [e.valve for e in past.journal if e.event == "raised" and str(e.alarm) == "passing"]
    assert raised.count("XV-1") == 2
    result = past.ask(kind="try", settings=[{"level": "site", "values": {"on_delay_s": 120.0}}], to=at(11.0))
    assert result["basis"]["reproduced"] == result["basis"]["of"] >= 2
    assert past.alarms(result, "happened") == past.alarms(result, "would")
    assert result["differences"] == []


def test_a_setting_is_tried_on_both_sides_of_a_change(past: Past) -> None:
    later = past.ask(kind="try", settings=[{"level": "site", "values": {"on_delay_s": 900.0}}], to=at(11.0))
    assert [d["valve"] for d in later["differences"] if d["difference"] == "later"].count("XV-1") == 2
    only = past.ask(
        kind="try", to=at(11.0),
        settings=[{"level": "valve", "subject": "XV-6", "values": {"on_delay_s": 900.0}}],
    )  # fmt: skip
    assert only["differences"] == []


def test_a_trial_that_begins_after_a_change_knows_what_was_before(past: Past) -> None:
    result = past.ask(
        kind="try", settings=[{"level": "site", "values": {"on_delay_s": 120.0}}],
        **{"from": at(5.0)}, to=at(11.0),
    )  # fmt: skip
    assert result["basis"]["reproduced"] == result["basis"]["of"] == 1


ROW = row_of_valves(3)
OTHER = [valve("B1", "b", 0), valve("B2", "b", 1)]


def of(rows: list[Channel], after_us: int | None = None) -> InForce:
    groups = {c.group for c in rows}
    return InForce(Register.of(rows), {} if after_us is None else dict.fromkeys(groups, after_us))


def test_a_register_that_leaves_a_group_as_it_is_is_no_stage() -> None:
    versions = [of([*ROW, *OTHER]), of([*ROW, OTHER[0]], 7)]
    present = Layout.of(versions[-1].register, QUICK)
    assert [s.until_us for s in lineage_of(present, "header", versions).stages] == [None]
    assert [s.until_us for s in lineage_of(present, "b", versions).stages] == [7, None]


def test_a_group_is_followed_to_the_name_it_had() -> None:
    renamed = [valve(c.name[3:], "main", c.position) for c in ROW]
    versions = [of(ROW), InForce(Register.of(renamed), {"header": 7})]
    found = lineage_of(Layout.of(versions[-1].register, QUICK), "main", versions)
    assert found.names == ["header", "main"]
    assert found.stages[0].until_us == 7


def test_valves_from_another_group_are_not_followed_and_that_is_said() -> None:
    moved = [*ROW, valve("B1", "header", 3), OTHER[1]]
    versions = [of([*ROW, *OTHER]), of(moved, 7)]
    found = lineage_of(Layout.of(versions[-1].register, QUICK), "header", versions)
    assert found.begins_us == 7
    assert "from another group" in found.note
    rest = lineage_of(Layout.of(versions[-1].register, QUICK), "b", versions)
    assert rest.note == ""
    assert len(rest.stages) == 2


def test_a_new_group_of_new_valves_begins_with_them() -> None:
    versions = [of(ROW), of([*ROW, *OTHER], 7)]
    found = lineage_of(Layout.of(versions[-1].register, QUICK), "b", versions)
    assert (len(found.stages), found.note) == (1, "")


def test_a_valve_is_followed_through_its_sensors_for_reports_and_worth(past: Past) -> None:
    reader = Reader(open_for_reading(past.site.store_url, past.site.folder), past.site.archive)
    try:
        follower, present = Follower(reader), past.site.register.valves["XV-2"]
        assert present.name == "AE-12"  # before 4.6 h it was AE-2
        hours = [
            value is not None for _, value in rises(follower, present, START_US, START_US + 11 * HOUR_US)
        ]
        heard = [int(part.time_us[0]) for part in follower.history(present, START_US, START_US + HOUR_US)]
    finally:
        reader.close()
    assert hours[2:4] == [True, True]
    assert hours[8:] == [True, True, True]
    assert heard
