"""How much a trial that runs beside slows down what the service ingests. Wanted: at most 10 %.

    python tests/bench/beside.py             alone and beside a trial in turn, three times each

A plant with some days on record; its trial is the process that the service starts, over and over, which asks
for idle time only. Meanwhile packs come in at full speed through receiver, decoder, commit and ack, into the
same store. The second rate in each line counts only the receiver's own processor seconds: what a trial costs
it by caches and by the store, however busy the machine is.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tuning import DAY_US, START_US, fill, write_site

from hissmark.publish.times import rfc3339
from hissmark.site.load import load_site
from hissmark.tune.lifeline import end_all
from ingest import measure_in, whole_way

CHANNELS, DAYS = 40, 6.0
TOML = 'name = "Bench"\n[store]\nurl = "sqlite:///bench.db"\n'


def plant(folder: Path) -> Path:
    """A plant with a past in the store that `whole_way` writes into."""
    write_site(folder, CHANNELS)
    (folder / "site.toml").write_text(TOML)
    fill(load_site(folder), DAYS)
    return folder


@contextmanager
def trials(folder: Path) -> Iterator[list[int]]:
    """One trial after the other, until the block ends; the list gets a number for each that was done."""
    request = json.dumps({
        "kind": "sweep", "from": rfc3339(START_US + DAY_US), "to": rfc3339(START_US + int(DAYS * DAY_US)),
        "before_days": 1.0,
        "axes": [{"setting": "rise_limit_db", "values": [4, 5, 6, 7, 8, 9, 10, 11, 12, 13]}],
    })  # fmt: skip
    done: list[int] = []
    over = threading.Event()
    process: list[subprocess.Popen[str]] = []

    def one_after_the_other() -> None:
        while not over.is_set():
            command = [sys.executable, "-m", "hissmark.tune.worker", str(folder)]
            started = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, process_group=0
            )
            process[:] = [started]
            out, _ = started.communicate(request)
            if '"result"' in out:
                done.append(len(done))

    thread = threading.Thread(target=one_after_the_other)
    thread.start()
    try:
        yield done
    finally:
        over.set()
        if process:
            end_all(process[0])
        thread.join()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--packs", type=int, default=20_000)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    rates: dict[str, list[tuple[float, float]]] = {"alone": [], "beside a trial": []}
    with tempfile.TemporaryDirectory() as temporary:
        made = plant(Path(temporary) / "made")
        for run in range(args.runs):
            for how, found in rates.items():
                own = Path(shutil.copytree(made, Path(temporary) / f"{run}-{len(found)}-{how[:5]}"))
                if how == "alone":
                    found.append(measure_in(str(own), "pack", args.packs, whole_way))
                    continue
                with trials(own) as done:
                    found.append(measure_in(str(own), "pack", args.packs, whole_way))
                print(f"    {len(done)} trials done meanwhile")
    alone, beside = (
        [statistics.median(rate[i] for rate in found) * 60 for i in (0, 1)] for found in rates.values()
    )
    print(f"alone          {alone[0]:>9,.0f} samples/s, by processor time {alone[1]:>9,.0f}")
    print(f"beside a trial {beside[0]:>9,.0f} samples/s, by processor time {beside[1]:>9,.0f}")
    slower = [100 * (1 - rate / before) for rate, before in zip(beside, alone, strict=True)]
    print(f"slower by {slower[0]:.1f} %, by processor time {slower[1]:.1f} %")


if __name__ == "__main__":
    main()
