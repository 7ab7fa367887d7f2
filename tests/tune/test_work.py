"""Trials on a stored history: it is reproduced, settings move it, sweeps and suggestions add up."""

from __future__ import annotations

from typing import Any

import pytest

from hissmark.tune.request import TuneError
from hissmark.tune.shares import carry_out
from support.tuned_past import Past, at


def test_the_past_has_alarms_to_move(past: Past) -> None:
    raised = [(e.valve, str(e.alarm)) for e in past.journal if e.event == "raised"]
    assert raised.count(("XV-1", "passing")) == 2


def test_settings_in_force_reproduce_what_happened(past: Past) -> None:
    result = past.ask(kind="try", settings=[{"level": "site", "values": {"on_delay_s": 120.0}}])
    assert result["basis"]["reproduced"] == result["basis"]["of"] > 0
    assert past.alarms(result, "happened") == past.alarms(result, "would")
    assert result["differences"] == []


def test_a_longer_delay_moves_alarms_and_an_insensitive_limit_loses_them(past: Past) -> None:
    later = past.ask(kind="try", settings=[{"level": "site", "values": {"on_delay_s": 900.0}}])
    assert later["counts"]["later"] == 3
    assert {d["shift_s"] for d in later["differences"] if d["difference"] == "later"} == {780.0}
    lost = past.ask(
        kind="try", settings=[{"level": "valve", "subject": "XV-1", "values": {"rise_limit_db": 30.0}}]
    )
    assert {(d["valve"], d["alarm"]) for d in lost["differences"] if d["difference"] == "lost"} >= {
        ("XV-1", "passing")
    }


def test_a_sweep_has_every_combination_and_the_present_point(past: Past) -> None:
    axes = [
        {"setting": "rise_limit_db", "values": [4.0, 6.0, 20.0]},
        {"setting": "odds_limit", "values": [2.0, 4.0]},
    ]
    result = past.ask(kind="sweep", axes=axes)
    assert [tuple(p["values"].values()) for p in result["points"]] == [
        (4.0, 2.0), (4.0, 4.0), (6.0, 2.0), (6.0, 4.0), (20.0, 2.0), (20.0, 4.0),
    ]  # fmt: skip
    assert result["here"]["values"]["odds_limit"] == 2.0
    by_limit = {p["values"]["rise_limit_db"]: p["alarms"]["passing"] for p in result["points"]}
    assert by_limit[20.0] == 1 < by_limit[6.0] <= by_limit[4.0]  # XV-5 has a limit of its own
    assert result["valve_years"] == pytest.approx(5 * 10.4 / 24 / 365.25, rel=1e-3)  # to the newest sample


def test_a_sweep_point_is_what_a_trial_of_its_own_gives(past: Past) -> None:
    values = {"rise_limit_db": 4.0, "odds_limit": 8.0}
    axes = [{"setting": name, "values": [value]} for name, value in values.items()]
    point = past.ask(kind="sweep", axes=axes)["points"][0]
    alone = past.ask(kind="try", settings=[{"level": "site", "values": values}])
    assert sum(point["alarms"].values()) == len(alone["would"])


@pytest.mark.slow
def test_a_suggestion_keeps_to_the_budget(past: Past) -> None:
    a_year = 1 / (5 * 10.4 / 24 / 365.25)
    generous = past.ask(kind="suggest", budget=min(1000.0, 3.5 * a_year))
    assert generous["suggestion"]["a_year"] <= 3.5 * a_year
    strict = past.ask(kind="suggest", budget=0.01)
    assert strict["suggestion"] is None or strict["suggestion"]["alarms"]["passing"] == 0


def test_progress_is_told_and_only_the_valves_asked_for_are_replayed(past: Past) -> None:
    heard: list[float] = []
    request = {
        "kind": "try", "from": at(2.0), "to": at(12.0), "before_days": 1.0, "valves": ["XV-1"],
        "settings": [{"level": "site", "values": {"on_delay_s": 600.0}}],
    }  # fmt: skip
    result = carry_out(past.site, request, heard.append, 1)
    assert result["groups"] == ["header"]
    assert heard
    assert heard == sorted(heard)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"kind": "guess"}, "kind must be one of"),
        ({"kind": "try"}, "at least one changed setting"),
        (
            {"kind": "try", "settings": [{"level": "site", "values": {"rise_limit_db": 900}}]},
            "not believable",
        ),
        (
            {"kind": "try", "settings": [{"level": "valve", "subject": "XV-77", "values": {"margin_db": 3}}]},
            "XV-77",
        ),
        ({"kind": "try", "settings": [{"level": "site", "values": {"colour": 3}}]}, "cannot be tuned"),
        ({"kind": "sweep", "axes": []}, "one or two settings"),
        ({"kind": "sweep", "axes": [{"setting": "margin_db", "values": ["x"]}]}, "must be a number"),
        ({"kind": "suggest"}, "budget"),
        ({"kind": "try", "to": at(1.0)}, "must begin before it ends"),
        ({"kind": "try", "valves": ["XV-0"]}, "no valve 'XV-0'"),
        ({"kind": "try", "from": "yesterday"}, "from"),
    ],
)
def test_a_request_that_makes_no_sense_is_told_why(past: Past, more: dict[str, Any], said: str) -> None:
    with pytest.raises(TuneError, match=said):
        past.ask(**more)


def test_several_processes_give_what_one_gives(past: Past) -> None:
    request = {
        "kind": "try", "from": at(1.6), "to": at(12.0), "before_days": 1.0, "valves": [],
        "settings": [{"level": "site", "values": {"rise_limit_db": 20.0}}],
    }  # fmt: skip
    one, several = (carry_out(past.site, request, lambda share: None, workers) for workers in (1, 2))
    assert several | {"took_s": 0} == one | {"took_s": 0}
    assert one["counts"]["lost"]
