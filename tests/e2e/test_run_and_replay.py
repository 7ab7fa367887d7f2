"""One plant through `hissmark run` as fast as it goes and through `hissmark replay`: the same journal."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from hissmark.demo.folder import write_site as write_demo_site
from hissmark.demo.plant import Plant
from hissmark.demo.senml import Packer
from hissmark.demo.story import S, Story
from support.broker import Broker, free_port
from support.faults import SQLITE, fault
from support.publish import Gateway, Sent
from support.sample_files import of_kind, picked, write_parquet
from support.service import Service, cli, journal

pytestmark = pytest.mark.broker

START_US = 1_772_323_200 * S  # 2026-03-01T00:00:00Z
HOUR_US, MINUTE_US = 3600 * S, 60 * S
DAY_H, WEEK_H = 24, 7 * 24


def messages(plant: Plant, from_us: int, to_us: int) -> Iterator[Sent]:
    """What the plant's gateways send: a pack of each topic a minute."""
    packer = Packer(plant)
    for hour_us in range(from_us, to_us, HOUR_US):
        batch = plant.samples(hour_us, hour_us + HOUR_US)
        edges = np.searchsorted(batch.time_us, np.arange(hour_us, hour_us + HOUR_US + 1, MINUTE_US))
        for first, end in pairwise(edges.tolist()):
            yield from packer.packs(picked(batch, slice(first, end)))


def make_site(folder: Path, broker: Broker) -> Path:
    """The demo's site as it is, with logs for machines."""
    write_demo_site(folder, broker.port, free_port())
    settings = folder / "site.toml"
    settings.write_text(settings.read_text() + '\n[log]\nformat = "json"\n')
    return folder


@pytest.mark.parametrize(
    ("hours", "speed"),
    [
        pytest.param(DAY_H, 60.0, id="a day"),
        pytest.param(WEEK_H, 600.0, id="a week", marks=[pytest.mark.slow, pytest.mark.timeout(3600)]),
    ],
)
@fault(
    "A day and a week of plant through `run` and through `replay`", promised="the same journal", stores=SQLITE
)
def test_run_and_replay_give_the_same_journal(
    tmp_path: Path, broker: Broker, hours: int, speed: float
) -> None:
    plant = Plant(1, Story.told(1, START_US + 10 * HOUR_US, speed))
    end_us = START_US + hours * HOUR_US
    site = make_site(tmp_path / "site", broker)
    count = run(site, broker, plant, end_us)
    everything = plant.samples(START_US, end_us)
    assert count == len(everything)
    lived = journal(site)
    levels, process = (
        write_parquet(tmp_path / f"{kind}.parquet", plant.names, of_kind(plant, everything, level=level))
        for kind, level in (("levels", True), ("process", False))
    )
    out = tmp_path / "replayed.jsonl"
    cli(site, "replay", "--levels", str(levels), "--process", str(process), "--out", str(out))
    replayed = [json.loads(line) for line in out.read_text().splitlines()]
    assert lived == [{k: v for k, v in row.items() if k != "recorded_at"} for row in replayed]
    named = [row["valve"] for row in lived if (row["alarm"], row["event"]) == ("passing", "raised")]
    begun = [leak.valve for leak in plant.story.leaks if leak.start_us + 3 * HOUR_US < end_us]
    assert len(begun) >= 2
    assert set(begun) & set(named), "the plant leaks, and somebody is named"


def run(site: Path, broker: Broker, plant: Plant, end_us: int) -> int:
    """Publish the whole time through the running service; returns how many samples it stored."""
    gateway = Gateway(broker, window=100)
    with Service(site).start() as service:
        gateway.send(messages(plant, START_US, end_us))
        service.wait_stored(len(plant.samples(START_US, end_us)), 900)
        assert service.stop() == 0
        return service.stored()
