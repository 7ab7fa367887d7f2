"""A survey as people do it by hand, through broker, service and store, read back by command and API.

Common practice, no source: background 21 dB; five closed valves on one panel read 36, 40, 61, 40 and 40 dB
when steady: the third is the source, the others hear spill; once it is repaired all five read about 23 dB,
within 2 dB of the background: nothing passes any more.

Beside it four pairs of valves whose backgrounds differ. Levels are computed by energy addition from 50 dB at
A and 6 dB loss on the way to B: 10 lg(10^(background/10) + 10^(leak/10)). In the last two rows B rises more
than A, and A is the source nevertheless.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest

from support.broker import Broker
from support.publish import Gateway, Sent, json_value, senml_pack
from support.service import JSON, SENML, Service, cli_json, events, journal, until, write_site

pytestmark = pytest.mark.broker

START_US = 1_772_323_200_000_000  # 2026-03-01T00:00:00Z
STEP_S = 60
LEARNED_H, LEAKING_H, END_H = 49, 53, 56
"""Two days of background and a little more (the contract: judged after at most 48 hours); four hours of leak;
repaired."""
NOISE_DB = 0.4

BACKGROUND_DB, LEAKING_DB, REPAIRED_DB = 21.0, (36.0, 40.0, 61.0, 40.0, 40.0), 23.0
PAIRS = ((30.0, 30.0), (30.0, 45.0), (45.0, 30.0), (48.0, 20.0))
SOURCE_DB, LOSS_DB = 50.0, 6.0

Level = tuple[float, float, float]
"""Before the leak, during it, after the repair, dB."""


def plus(background_db: float, leak_db: float) -> float:
    """Sum of two incoherent levels."""
    return 10 * math.log10(10 ** (background_db / 10) + 10 ** (leak_db / 10))


def levels() -> dict[str, Level]:
    """Channel -> its levels."""
    found = {f"AX-{i}": (BACKGROUND_DB, db, REPAIRED_DB) for i, db in enumerate(LEAKING_DB, start=1)}
    for n, (a_db, b_db) in enumerate(PAIRS, start=1):
        found[f"AX-{n}A"] = (a_db, plus(a_db, SOURCE_DB), a_db)
        found[f"AX-{n}B"] = (b_db, plus(b_db, SOURCE_DB - LOSS_DB), b_db)
        heard = {"AR-{}C": (a_db, 1), "AX-{}C": (a_db, 0), "AX-{}D": (b_db, 1), "AR-{}D": (b_db, 2)}
        for name, (db, away) in heard.items():
            found[name.format(n)] = (db, plus(db, SOURCE_DB - away * LOSS_DB), db)
    return found


def register() -> Iterator[dict[str, object]]:
    for position, channel in enumerate(levels()):
        kind = {"A": "pair ", "B": "pair ", "C": "flanked ", "D": "flanked "}.get(channel[-1], "")
        row = {"channel": channel, "group": kind + channel[3] if kind else "panel", "position": position}
        if channel.startswith("AX"):
            yield row | {"kind": "valve", "valve": channel.replace("AX", "XV")}
        else:
            yield row | {"kind": "reference"}


def samples(from_h: float, to_h: float, when: int) -> Iterator[tuple[int, list[tuple[str, float]]]]:
    """Time (us) and the levels of all channels, every `STEP_S`; `when` picks before, during, after."""
    rng = np.random.default_rng(int(from_h) + 1)
    for second in range(int(from_h * 3600), int(to_h * 3600), STEP_S):
        noise = rng.normal(0.0, NOISE_DB, len(levels())).round(2).tolist()
        rows = zip(levels().items(), noise, strict=True)
        yield START_US + second * 1_000_000, [(c, round(db[when] + n, 2)) for (c, db), n in rows]


def as_senml(from_h: float, to_h: float, when: int) -> Iterator[Sent]:
    """One pack of all channels each time."""
    for at_us, row in samples(from_h, to_h, when):
        yield "plant/north/levels", senml_pack([(name, at_us, db, "dB") for name, db in row])


def as_json(from_h: float, to_h: float, when: int) -> Iterator[Sent]:
    """One message each value."""
    for at_us, row in samples(from_h, to_h, when):
        for name, db in row:
            yield f"plant/north/json/{name}", json_value(db, at_us)


FORMATS = {"senml": (SENML, as_senml), "json": (JSON, as_json)}


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(("senml", "5"), id="senml over MQTT 5"),
        pytest.param(("json", "3.1.1"), id="json over MQTT 3.1.1"),
        pytest.param(("senml", "3.1.1"), id="senml over MQTT 3.1.1", marks=pytest.mark.slow),
        pytest.param(("json", "5"), id="json over MQTT 5", marks=pytest.mark.slow),
    ],
)
def survey(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Survey]:
    form, protocol = request.param
    source, messages = FORMATS[form]
    folder = tmp_path_factory.mktemp("survey")
    with Broker(folder / "broker") as broker:
        site = write_site(
            folder / "site", broker, list(register()), sources=[source], mqtt={"protocol": protocol}
        )
        with Service(site).start() as service:
            yield Survey(service, Gateway(broker), messages)


class Survey:
    """The service at the end of the leak and after the repair, asked by command and API."""

    def __init__(self, service: Service, gateway: Gateway, messages: Any) -> None:
        self.service, self.site = service, service.folder
        self._gateway, self._messages = gateway, messages
        self._count = 0
        self._go_on(0, LEARNED_H, 0)
        self.leaking = self._go_on(LEARNED_H, LEAKING_H, 1)
        self.groups = [service.get(f"/api/v1/groups/{quote(name)}") for name in GROUPS]
        self.repaired = self._go_on(LEAKING_H, END_H, 2)
        assert service.stop() == 0
        self.journal = journal(self.site)
        self.by_command = {row["valve"]: row for row in cli_json(self.site, "verdicts")}

    def _go_on(self, from_h: float, to_h: float, when: int) -> dict[str, Any]:
        """Publish some hours; returns what the API says of each valve then, nothing after the background."""
        self._gateway.send(self._messages(from_h, to_h, when))
        self._count += (to_h - from_h) * 3600 // STEP_S * len(levels())
        self.service.wait_stored(self._count)
        if not when:
            return {}
        near_end = f"T{(to_h - 1) % 24:02d}:55"
        until(lambda: self._now()["XV-1"]["at"][10:] > near_end, "the last ticks to be told")
        return self._now()

    def _now(self) -> dict[str, Any]:
        return {row["valve"]: row for row in self.service.get("/api/v1/valves")["valves"]}


def verdicts(rows: dict[str, Any], *valves: str) -> list[str]:
    return [rows[valve]["verdict"] for valve in valves]


GROUPS = [f"{kind} {n}" for kind in ("pair", "flanked") for n in range(1, 5)]
PANEL = tuple(f"XV-{i}" for i in range(1, 6))
PAIRED = tuple(f"XV-{n}{side}" for n in range(1, 5) for side in "ABCD")


def test_the_third_valve_is_the_source_and_the_others_hear_it(survey: Survey) -> None:
    assert verdicts(survey.leaking, *PANEL) == ["spill", "spill", "passing", "spill", "spill"]
    third = survey.leaking["XV-3"]
    assert third["level_db"] == pytest.approx(61.0, abs=1.0)
    assert third["baseline_db"] == pytest.approx(BACKGROUND_DB, abs=1.0)
    assert third["rise_db"] == pytest.approx(40.0, abs=1.5)
    rises = [survey.leaking[valve]["rise_db"] for valve in PANEL]
    assert rises == pytest.approx([15.0, 19.0, 40.0, 19.0, 19.0], abs=1.5)


def test_it_alone_is_annunciated(survey: Survey) -> None:
    panel = [row for row in events(survey.journal) if row[0] in PANEL and row[:2] != ("XV-3", "contested")]
    assert panel == [("XV-3", "passing", "raised"), ("XV-3", "passing", "cleared")]


def test_after_the_repair_all_are_quiet_within_two_decibels(survey: Survey) -> None:
    assert verdicts(survey.repaired, *PANEL) == ["quiet"] * 5
    for valve in PANEL:
        row = survey.repaired[valve]
        assert row["level_db"] == pytest.approx(REPAIRED_DB, abs=1.0)
        assert row["rise_db"] == pytest.approx(2.0, abs=1.5)


def explained(survey: Survey, group: str) -> str | None:
    """The source that the best explanation named at the end of the leak."""
    return next(row["explanation"]["source"] for row in survey.groups if row["group"] == group)


NAMES = [f"{a:.0f} and {b:.0f} dB" for a, b in PAIRS]


@pytest.mark.parametrize("pair", range(1, 5), ids=NAMES)
@pytest.mark.parametrize("kind", ["pair", "flanked"], ids=["alone", "between reference points"])
def test_the_source_alone_is_annunciated_whatever_the_backgrounds(
    survey: Survey, kind: str, pair: int
) -> None:
    """Backgrounds 45/30 and 48/20: B rises by 14.2 and 24.0 dB, A by 6.2 and 4.1, and A it is."""
    source, neighbour = (f"XV-{pair}{side}" for side in ("AB" if kind == "pair" else "CD"))
    assert explained(survey, f"{kind} {pair}") == source
    assert verdicts(survey.leaking, source, neighbour) == ["passing", "spill"]
    passing = [row for row in events(survey.journal) if row[0] in (source, neighbour) and row[1] == "passing"]
    assert passing == [(source, "passing", "raised"), (source, "passing", "cleared")]
    assert verdicts(survey.repaired, source, neighbour) == ["quiet", "quiet"]


def test_command_and_api_say_the_same(survey: Survey) -> None:
    """The command reads the store after the service has stopped; the API told the last ticks before."""
    for valve in (*PANEL, *PAIRED):
        told, stored = survey.repaired[valve], survey.by_command[valve]
        assert stored["at"] >= told["at"]
        assert stored["verdict"] == told["verdict"] == "quiet"
        assert stored["level_db"] == pytest.approx(told["level_db"], abs=0.5)


def test_every_sample_is_on_record(survey: Survey) -> None:
    rows = cli_json(survey.site, "history", "XV-3", "--raw")
    times = ((0, LEARNED_H), (LEARNED_H, LEAKING_H), (LEAKING_H, END_H))
    parts = [samples(start, end, when) for when, (start, end) in enumerate(times)]
    sent = [dict(row)["AX-3"] for part in parts for _, row in part]
    assert [row["value"] for row in rows] == sent
    assert (rows[0]["time"], rows[0]["channel"]) == ("2026-03-01T00:00:00Z", "AX-3")
