"""How fast settings are tried: replay from stored history and sweeps, on a plant written into a store.

    python tests/bench/tuning.py year                  # one group of five channels, a year at 10 s
    python tests/bench/tuning.py year --channels 1 --days 60
    python tests/bench/tuning.py sweep                 # 20 x 20 over 100 valves and 30 days, two processes

Processor time is what counts where others use the machine: it is printed beside the time on the clock.
"""

from __future__ import annotations

import argparse
import csv
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from hissmark.decode.columns import Batch
from hissmark.engine.layout import Layout
from hissmark.publish.times import rfc3339
from hissmark.site.load import Site, load_site
from hissmark.store import Writer, open_store
from hissmark.store.archive.filing import groups_of
from hissmark.store.archive.seal import Sealer
from hissmark.tune.shares import carry_out

US = 1_000_000
DAY_US = 86_400 * US
START_US = 1_767_225_600 * US
GROUP_SIZE = 5
INTERVAL_S = 10
LEAKS_EACH_GROUPS = 4
"""One group in so many has a leak in the last third of the time."""


def write_site(folder: Path, channels: int) -> Site:
    """A site folder with channels in groups of five."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text('name = "Bench"\n[store]\nurl = "sqlite:///data/hissmark.db"\n')
    with (folder / "register.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["channel", "kind", "valve", "group", "position", "distance_m", "joints"])
        for i in range(channels):
            place = i % GROUP_SIZE
            rows.writerow(
                [f"AE-{i:05d}", "valve", f"XV-{i:05d}", f"g{i // GROUP_SIZE}", place + 1]
                + (["", ""] if place == 0 else [6, 2])
            )
    return load_site(folder)


def fill(site: Site, days: float) -> int:
    """Write levels of every channel each 10 s, day by day, and seal them into the archive."""
    layout = Layout.of(site.register, site.core)
    names = [c.source for c in layout.channels]
    random, n, rows = np.random.default_rng(1), len(names), 0
    base = random.uniform(20, 32, n)
    store = open_store(site.store_url, site.folder)
    index = layout.series_index()
    series = np.array([index[name] for name in names], np.int32)
    slow = np.zeros(n)
    try:
        with Writer(store, layout.names) as writer:
            for hour in range(int(days * 24)):
                times = START_US + hour * 3600 * US + np.arange(0, 3600, INTERVAL_S) * US
                slow = 0.9 * slow + 0.15 * random.standard_normal(n)
                level = base + slow + 0.7 * random.standard_normal((len(times), n))
                level = np.round(_with_leak(level, hour / (days * 24)), 1)
                batch = Batch(
                    np.tile(series, len(times)), np.repeat(times, n), level.ravel(),
                    np.zeros(level.size, np.uint8),
                )  # fmt: skip
                with writer.transaction() as tx:
                    tx.samples(batch)
                rows += level.size
                if hour % 24 == 23:
                    seal(site, store, START_US + (hour + 1) * 3600 * US + 400 * DAY_US)
    finally:
        store.dispose()
    return rows


def _with_leak(level: Any, through: float) -> Any:
    """In every fourth group the middle valve passes for the last third of the time, 6 to 14 dB."""
    n = level.shape[1]
    place, group = np.arange(n) % GROUP_SIZE, np.arange(n) // GROUP_SIZE
    loud = 6.0 + 2.0 * (group // LEAKS_EACH_GROUPS % 5)
    on = (group % LEAKS_EACH_GROUPS == 1) & (through > 2 / 3)
    heard = np.where(on, 10 ** ((24 + loud - 8 * np.abs(place - 2)) / 10), 0.0)
    return 10 * np.log10(10 ** (level / 10) + heard)


def seal(site: Site, store: Any, now_us: int) -> None:
    """File every whole day, as the service does once days are old enough."""
    place = site.archive
    if place is not None:
        sealer = Sealer(
            store, place, groups_of(Layout.of(site.register, site.core)), lambda: now_us, rest=0.0
        )
        sealer.seal_before(now_us)


def measured(site: Site, request: dict[str, Any], workers: int) -> dict[str, Any]:
    """Carry a request out and print what it took."""
    began_s, cpu_s = time.perf_counter(), _cpu_s()
    result = carry_out(site, request, lambda share: None, workers)
    took_s, cpu_s = time.perf_counter() - began_s, _cpu_s() - cpu_s
    share = 100 * result["ticks_singly"] / max(result["ticks"], 1)
    print(
        f"{result['samples']:,} samples, {result['ticks']:,} ticks ({share:.1f} % one by one) in "
        f"{took_s:.1f} s, {cpu_s:.1f} s of processor time; {result['basis']['sentence']}"
    )
    return result | {"cpu_s": cpu_s}


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def year(site: Site, channels: int, days: float) -> None:
    """Replay everything once, under the settings in force and one other."""
    request = {
        "kind": "try", "from": rfc3339(START_US + int(3 * DAY_US)), "before_days": 3.0,
        "to": rfc3339(START_US + int(days * DAY_US)),
        "settings": [{"level": "site", "values": {"rise_limit_db": 9.0}}],
    }  # fmt: skip
    result = measured(site, request, 1)
    years = channels * days / 365.25
    print(f"{result['cpu_s'] / years:.2f} s of processor time for a channel-year at {INTERVAL_S} s")


def sweep(site: Site, days: float, each: int) -> None:
    """A grid of two limits over everything."""
    axes = [
        {"setting": "rise_limit_db", "values": np.linspace(3.5, 13.0, each).round(3).tolist()},
        {"setting": "odds_limit", "values": np.linspace(0.0, 19.0, each).round(3).tolist()},
    ]
    request = {
        "kind": "sweep", "from": rfc3339(START_US + int(3 * DAY_US)), "before_days": 3.0,
        "to": rfc3339(START_US + int(days * DAY_US)), "axes": axes,
    }  # fmt: skip
    result = measured(site, request, 2)
    alarms = [p["alarms"]["passing"] for p in result["points"]]
    print(f"{len(alarms)} combinations, {min(alarms)} to {max(alarms)} alarms")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=["year", "sweep"])
    parser.add_argument("--channels", type=int)
    parser.add_argument("--days", type=float)
    parser.add_argument("--each", type=int, default=20, help="values on each axis")
    parser.add_argument("--keep", type=Path, help="folder to keep the plant in, and to find it again")
    args = parser.parse_args()
    channels = args.channels or (GROUP_SIZE if args.what == "year" else 100)
    days = args.days or (365.0 if args.what == "year" else 30.0)
    with tempfile.TemporaryDirectory() as temporary:
        folder = (args.keep or Path(temporary)) / f"plant-{channels}-{days:g}"
        made = (folder / "data").exists()
        site = write_site(folder, channels)
        if not made:
            began_s = time.perf_counter()
            print(f"{fill(site, days):,} samples written in {time.perf_counter() - began_s:.0f} s")
        if args.what == "year":
            year(site, channels, days)
        else:
            sweep(site, days, args.each)


if __name__ == "__main__":
    main()
