"""A setting published on a running service counts from the next tick on, and a roll-back undoes it all."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from hissmark.publish.times import parse_rfc3339, rfc3339
from support.broker import Broker
from support.publish import Gateway, Sent, senml_pack
from support.service import Service, cli, cli_json, journal, write_site

pytestmark = pytest.mark.broker

MINUTE_US = 60_000_000
VALVES = ("1", "2", "3")
QUIET, LEAK = (30.0, 30.0, 30.0), (55.0, 46.0, 40.0)
REGISTER = [
    {"channel": f"AX-{v}", "kind": "valve", "valve": f"XV-{v}", "group": "header", "position": i}
    for i, v in enumerate(VALVES)
]
SIGNED = ("--by", "O. Berg", "--reason", "tried")


class Panel:
    """The service on three valves, minute by minute of its plant."""

    def __init__(self, service: Service, gateway: Gateway) -> None:
        self.service, self._gateway = service, gateway
        self.begin_us = time.time_ns() // 1000 // MINUTE_US * MINUTE_US - 600 * MINUTE_US
        self.minute = 0

    def at(self, minute: int) -> int:
        return self.begin_us + minute * MINUTE_US

    def go_on(self, minutes: int, levels: tuple[float, ...], seed: int) -> None:
        """So many minutes, six samples each; returns when all of them are on record."""
        self._gateway.send(self._packs(minutes, levels, seed))
        self.minute += minutes
        self.service.wait_stored(18 * self.minute)

    def _packs(self, minutes: int, levels: tuple[float, ...], seed: int) -> Iterator[Sent]:
        rng = np.random.default_rng(seed)
        for minute in range(self.minute, self.minute + minutes):
            rows = [
                (f"AX-{v}", self.at(minute) + i * 10_000_000, level + rng.normal(0, 0.4), "dB")
                for i in range(6)
                for v, level in zip(VALVES, levels, strict=True)
            ]
            yield "plant/a/levels", senml_pack(rows)

    def tune(self, *words: str) -> int:
        """Publish or roll back; returns after which tick it counts, us."""
        told = cli(self.service.folder, "tune", *words, *SIGNED).stdout
        assert "in force" in told
        with self.service.reader() as reader:
            applied: int | None = list(reader.changes_after(0))[-1].applied_after_us
        assert applied is not None
        return applied


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Panel]:
    folder = tmp_path_factory.mktemp("tuning")
    tables: dict[str, dict[str, object]] = {"baseline": {"learn_s": 3600, "learn_windows": 5}}
    with Broker(folder / "broker") as broker:
        site = write_site(folder / "site", broker, REGISTER, tables=tables)
        with Service(site).start() as service:
            yield Panel(service, Gateway(broker))


def leak(panel: Panel) -> int:
    """The same leak each time, and quiet after it; the minute at which it began."""
    began = panel.minute
    panel.go_on(40, LEAK, 2)
    panel.go_on(40, QUIET, 3)
    return began


def events(rows: list[dict[str, Any]], from_us: int, to_us: int) -> list[tuple[str, str, str, float]]:
    """(valve, alarm, event, minutes since) of the journal in a span."""
    found = [(parse_rfc3339(row["at"]), row) for row in rows]
    return [
        (r["valve"], r["alarm"], r["event"], (at_us - from_us) / MINUTE_US)
        for at_us, r in found
        if from_us <= at_us < to_us
    ]


def test_a_published_setting_counts_from_the_next_tick_and_a_roll_back_undoes_it(panel: Panel) -> None:
    panel.go_on(150, QUIET, 1)
    first = leak(panel)
    published_us = panel.tune("publish", "--set", "rise_limit_db=60")
    deaf = panel.minute
    panel.go_on(25, LEAK, 2)
    back_us = panel.tune("roll-back", "0")
    panel.go_on(15, LEAK, 4)
    panel.go_on(40, QUIET, 3)
    assert panel.service.stop() == 0

    said = {parse_rfc3339(r["time"]): r["verdict"] for r in history_of(panel, "XV-1")}
    between = [v for at, v in said.items() if max(published_us, panel.at(deaf)) < at <= back_us]
    assert len(between) > 10
    assert "passing" not in between
    assert said[back_us + MINUTE_US] == "passing"  # the leak has been there all along
    rows = journal(panel.service.folder)
    before = events(rows, panel.at(first), panel.at(first + 80))
    assert [e[2] for e in before if e[:2] == ("XV-1", "passing")] == ["raised", "cleared"]
    assert ("XV-1", "passing") not in [e[:2] for e in events(rows, panel.at(deaf), back_us + 1)]
    again = [e[2] for e in events(rows, back_us, panel.at(panel.minute)) if e[:2] == ("XV-1", "passing")]
    assert again == ["raised", "cleared"], "as before the change"


def history_of(panel: Panel, valve: str) -> list[dict[str, Any]]:
    span = ("--from", rfc3339(panel.at(0)), "--to", rfc3339(panel.at(panel.minute + 1)))
    return cli_json(panel.service.folder, "history", valve, *span)
