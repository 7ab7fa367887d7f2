"""A year at 10 s on record, in the archive, with the journal that the service would have written.

Judging it tick by tick as it comes would take half an hour, so the samples go straight into the store and are
sealed day by day, and the journal is that of a replay: that a replay says what the service said is shown
elsewhere (`tests/tune`). A second group is heard once an hour. Levels are invented, see `tuned_year`.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.layout import Layout
from hissmark.publish.times import rfc3339
from hissmark.site.load import Site, load_site
from hissmark.store import Writer, open_store
from hissmark.store.archive.filing import groups_of
from hissmark.store.archive.seal import Sealer
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.tune.period import replay
from hissmark.tune.request import read_request
from hissmark.tune.stages import lineage_of
from support.rig import START_US, US
from support.tuned_year import BACKGROUND_DB, BARS, DAY_S, HOUR_S, REGISTER, YEAR, Past

HOURLY_DB = {"RA-1": 31.0, "RA-2": 33.0, "RA-3": 30.0}
HOURLY = [
    {
        "channel": name,
        "kind": "valve",
        "valve": f"HV-{i}",
        "group": "radio",
        "position": i,
        "interval_s": 3600,
    }
    for i, name in enumerate(HOURLY_DB, 1)
]
LEAKS = ((90 * DAY_S, 91 * DAY_S), (200 * DAY_S, 200.5 * DAY_S))
AT_10_S = replace(YEAR, every_s=10.0, tick_s=60, leaks=LEAKS, blowdown_s=HOUR_S)


@dataclass(frozen=True)
class Written:
    """The site, its journal and when its year ends."""

    site: Site
    journal: list[JournalEntry]
    end_us: int
    samples: int

    def raised(self, valve: str, *alarms: str) -> int:
        """How many alarms of a valve there were, of these kinds."""
        found = [e for e in self.journal if e.valve == valve and e.event == "raised"]
        return sum(str(e.alarm) in alarms for e in found)


def write_year(folder: Path, past: Past = AT_10_S) -> Written:
    """Put a year of both groups on record."""
    site = _laid_out(folder, past)
    store = open_store(site.store_url, site.folder)
    layout = Layout.of(site.register, site.core)
    rng, rows = np.random.default_rng(5), 0
    try:
        with Writer(store, layout.names) as writer:
            for day in range(int(past.days)):
                batch = _day(day * DAY_S, past, layout.series_index(), rng)
                with writer.transaction() as tx:
                    tx.samples(batch)
                rows += len(batch)
                _seal(site, layout, store, day + 1)
        journal = _as_it_happened(site, layout, past)
        with Writer(store, layout.names) as writer, writer.transaction() as tx:
            tx.journal(journal)
    finally:
        store.dispose()
    return Written(site, journal, START_US + int(past.days * DAY_S * US), rows)


def _laid_out(folder: Path, past: Past) -> Site:
    folder.mkdir(parents=True)
    signal = past.tables["signal"]
    folder.joinpath("site.toml").write_text(
        f'name = "North works"\n[store]\nurl = "sqlite:///data/hissmark.db"\n'
        f"[signal]\ntick_s = {signal['tick_s']}\nstale_s = {signal['stale_s']}\n"
        f"[baseline]\nlearn_s = {int(6 * HOUR_S)}\nlearn_windows = 10\n",
        "utf-8",
    )
    with folder.joinpath("register.csv").open("w", newline="", encoding="utf-8") as file:
        fields = [*REGISTER[0], "interval_s"]
        table = csv.DictWriter(file, fields)
        table.writeheader()
        table.writerows([*REGISTER, *HOURLY])
    return load_site(folder)


def _day(since_s: float, past: Past, series: dict[str, int], rng: np.random.Generator) -> Batch:
    """Everything that is heard in a day, by time."""
    at_s = since_s + np.arange(0.0, DAY_S, past.every_s)
    hours_s, often_s = since_s + np.arange(0.0, DAY_S, HOUR_S), since_s + np.arange(0.0, DAY_S, 600.0)
    columns = [
        *((name, at_s, past.level(name, at_s) + rng.normal(0, 0.4, len(at_s))) for name in BACKGROUND_DB),
        *((name, hours_s, db + rng.normal(0, 0.4, len(hours_s))) for name, db in HOURLY_DB.items()),
        *((tag, often_s, np.full(len(often_s), bar)) for tag, bar in BARS.items()),
    ]
    number = np.concatenate([np.full(len(times), series[name], np.int32) for name, times, _ in columns])
    time_us = START_US + (np.concatenate([times for _, times, _ in columns]) * US).astype(np.int64)
    value = np.round(np.concatenate([values for *_, values in columns]), 2)
    order = np.lexsort((number, time_us))
    return Batch(number[order], time_us[order], value[order], np.zeros(len(order), np.uint8))


def _seal(site: Site, layout: Layout, store: sa.Engine, days: int) -> None:
    """File what is older than the day that begins, as the service does once days are old enough."""
    later_us = START_US + int((days + 400) * DAY_S * US)
    if site.archive is not None and days % 5 == 0:
        Sealer(store, site.archive, groups_of(layout), lambda: later_us, rest=0.0).seal_before(later_us)


def _as_it_happened(site: Site, layout: Layout, past: Past) -> list[JournalEntry]:
    plain = {
        "kind": "try", "from": rfc3339(START_US), "to": rfc3339(START_US + int(past.days * DAY_S * US)),
        "before_days": 0, "settings": [{"level": "site", "values": {"rise_limit_db": 6.0}}],
    }  # fmt: skip
    reader = Reader(open_for_reading(site.store_url, site.folder), site.archive)
    try:
        lineages = [lineage_of(layout, group, []) for group in layout.group_names]
        return replay(reader, lineages, read_request(plain, layout), lambda at_us: True).entries[0]
    finally:
        reader.close()
