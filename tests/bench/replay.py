"""How fast `replay` goes: builds a Parquet file of a plant's samples and replays it.

    python tests/bench/replay.py              # 2 days of 200 channels at one sample in 10 s: 3.5 M samples
    python tests/bench/replay.py --days 7 --channels 500
    python tests/bench/replay.py --full       # 30 days of 1,000 channels: 260 M samples

Prints samples a second of the whole, of reading alone, and the most memory any process used.
"""

from __future__ import annotations

import argparse
import csv
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from hissmark.replay.convert import Converter
from hissmark.replay.replay import replay_files
from hissmark.replay.rows import Tally
from hissmark.replay.sources import scan
from hissmark.site.load import load_site

S = 1_000_000
START_US = 1_767_225_600 * S
GROUP_SIZE = 5
INTERVAL_S = 10
CHUNK_S = 3600


def write_site(folder: Path, channels: int) -> list[str]:
    """A register of `channels` channels in groups of five."""
    (folder / "site.toml").write_text('name = "Bench"\n')
    names = [f"AE-{i:05d}" for i in range(channels)]
    with (folder / "register.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["channel", "kind", "valve", "group", "position", "distance_m", "joints"])
        for i, name in enumerate(names):
            place = i % GROUP_SIZE
            first = place == 0
            writer.writerow(
                [
                    name,
                    "valve",
                    f"XV-{i:05d}",
                    f"g{i // GROUP_SIZE}",
                    place + 1,
                    *(["", ""] if first else [6, 2]),
                ]
            )
    return names


def write_samples(path: Path, names: list[str], days: float) -> int:
    """Levels of every channel each 10 s: autocorrelated noise, and a leak of 14 dB in every 40th group."""
    random = np.random.default_rng(1)
    base = random.uniform(20, 32, len(names)).astype(np.float32)
    steps = CHUNK_S // INTERVAL_S
    phase_us = random.integers(0, INTERVAL_S * 1000, len(names)) * 1000
    order = np.argsort(phase_us, kind="stable")
    label = pa.array(names)
    codes = np.tile(order.astype(np.int32), steps)
    schema = pa.schema(
        [
            ("time", pa.timestamp("us", "UTC")),
            ("name", pa.dictionary(pa.int32(), pa.string())),
            ("value", pa.float32()),
        ]
    )
    slow = np.zeros(len(names), np.float32)
    rows = 0
    with pq.ParquetWriter(path, schema, compression="zstd", use_dictionary=["name", "value"]) as writer:
        for hour in range(int(days * 24)):
            start_us = START_US + hour * CHUNK_S * S
            grid = start_us + np.arange(steps, dtype=np.int64)[:, None] * INTERVAL_S * S
            slow = (0.9 * slow + 0.15 * random.standard_normal(len(names), np.float32)).astype(np.float32)
            level = base + slow + 0.7 * random.standard_normal((steps, len(names)), np.float32)
            level += _leaks_db(len(names), hour / (days * 24))
            writer.write_table(
                pa.table(
                    [
                        pa.array((grid + phase_us[order]).ravel(), schema.field("time").type),
                        pa.DictionaryArray.from_arrays(codes, label),
                        pa.array(np.round(level[:, order].ravel(), 1)),
                    ],
                    schema=schema,
                )
            )
            rows += codes.size
    return rows


def _leaks_db(channels: int, through: float) -> np.ndarray:
    """Rises by a leak in the last third of the time, at the middle of every 40th group."""
    place = np.arange(channels)
    leaking = ((place // GROUP_SIZE) % 40 == 0) & (through > 0.66)
    skirts = np.array([4.0, 8.0, 14.0, 8.0, 4.0], np.float32)
    return np.where(leaking, skirts[place % GROUP_SIZE], 0.0).astype(np.float32)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=float, default=2.0)
    parser.add_argument("--channels", type=int, default=200)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--full", action="store_true", help="30 days of 1,000 channels")
    parser.add_argument("--read-only", action="store_true", help="measure reading alone")
    parser.add_argument("--keep", type=Path, help="folder to keep the file in, and to find it again")
    args = parser.parse_args()
    days, channels = (30.0, 1000) if args.full else (args.days, args.channels)
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        names = write_site(folder, channels)
        path = folder / f"samples-{channels}-{days:g}.parquet"
        if not path.exists():
            begun = time.perf_counter()
            write_samples(path, names, days)
            print(f"built {path.stat().st_size / 1e6:.0f} MB in {time.perf_counter() - begun:.1f} s")
        begun = time.perf_counter()
        tally = Tally()
        scan(path, Converter({n: i for i, n in enumerate(names)}, 0, 1 << 62), tally, lambda rows: None)
        seconds = time.perf_counter() - begun
        print(f"reading alone: {tally.rows:,} rows in {seconds:.1f} s = {tally.rows / seconds:,.0f} rows/s")
        if args.read_only:
            return
        done = replay_files(load_site(folder), [path], [], folder / "journal.jsonl", workers=args.workers)
        print(
            f"replay, {done.workers} processes: {done.samples:,} samples, {done.ticks:,} ticks, "
            f"{len(done.entries)} journal entries, {done.seconds:.1f} s = {done.samples_per_s:,.0f} samples/s"
        )
        own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
        print(f"most memory: this process {own / 1024:.0f} MiB, largest worker {child / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
