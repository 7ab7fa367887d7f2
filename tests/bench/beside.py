"""How much a trial that runs beside slows down what the service ingests. Wanted: at most 10 %.

    python tests/bench/beside.py                  both scenes, alone and beside trials in turn, three times
    python tests/bench/beside.py --packs 100000   longer at full speed

A plant with some days on record; its trial is the process that the service starts, over and over, which asks
for idle time only. Meanwhile packs come in through receiver, decoder, commit and ack, into the same store.

At full speed: as many as go. The machine has hardly any idle time then, so the trial gets little; what it got
is printed. The second rate counts only the receiver's own processor seconds: what a trial costs it by caches
and by the store, however busy the machine is.

At a steady pace: packs are sent by the clock, at a rate that leaves the machine time, so that trials run and
end. What is measured is how long after its time each pack was committed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

import numpy as np
from raw_publisher import CHANNELS, SAMPLES_A_PACK, connect, pack, publish_packet
from tuning import DAY_US, START_US, fill, write_site

from hissmark.decode.decoder import Decoder
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.receiver import Receiver
from hissmark.ingest.settings import MqttSettings
from hissmark.publish.times import rfc3339
from hissmark.site.load import load_site
from hissmark.store.open import open_store
from hissmark.store.writer import Writer
from hissmark.tune.lifeline import end_all
from ingest import BATCH_MESSAGES, SOURCES, measure_in, whole_way
from support.broker import Broker

CHANNELS_ON_RECORD, DAYS = 5, 3.0
TOML = 'name = "Bench"\n[store]\nurl = "sqlite:///bench.db"\n'


def plant(folder: Path) -> Path:
    """A plant with a past in the store that `whole_way` writes into."""
    write_site(folder, CHANNELS_ON_RECORD)
    (folder / "site.toml").write_text(TOML)
    fill(load_site(folder), DAYS)
    return folder


@dataclass
class Trials:
    """What became of the trials: how many were done, the processor seconds that all of them got."""

    done: int = 0
    busy_s: float = 0.0


@contextmanager
def trials(folder: Path) -> Iterator[Trials]:
    """One trial after the other, until the block ends."""
    request = json.dumps({
        "kind": "sweep", "from": rfc3339(START_US + DAY_US), "to": rfc3339(START_US + int(DAYS * DAY_US)),
        "before_days": 1.0,
        "axes": [{"setting": "rise_limit_db", "values": [4, 5, 6, 7, 8, 9, 10, 11, 12, 13]}],
    })  # fmt: skip
    told = Trials()
    over = threading.Event()
    process: list[subprocess.Popen[str]] = []

    def one_after_the_other() -> None:
        while not over.is_set():
            command = [sys.executable, "-m", "hissmark.tune.worker", str(folder)]
            started = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, process_group=0
            )
            process[:] = [started]
            assert started.stdin is not None
            assert started.stdout is not None
            started.stdin.write(request)
            started.stdin.close()
            told.done += '"result"' in started.stdout.read()
            used = os.wait4(started.pid, 0)[2]
            started.returncode = 0
            told.busy_s += used.ru_utime + used.ru_stime

    thread = threading.Thread(target=one_after_the_other)
    thread.start()
    try:
        yield told
    finally:
        over.set()
        if process:
            end_all(process[0])
        thread.join()


# --- at a steady pace ---


def steadily(port: int, count: int, pipe: Pipe, folder: str) -> None:
    """Receiver, decoder, writer, ack; sends how many messages were committed by when (monotonic seconds)."""
    names = {f"AX-{i}": i for i in range(CHANNELS)}
    decoder, queue = Decoder(SOURCES, names), MessageQueue()
    settings = MqttSettings("127.0.0.1", "bench-steady", SOURCES, port=port)
    receiver = Receiver(settings, queue, lambda: time.time_ns() // 1000)
    receiver.start()
    while not receiver.health().subscribed:
        time.sleep(0.01)
    pipe.send("ready")
    committed: list[tuple[int, float]] = []
    seen = 0
    with Writer(open_store(f"sqlite:///{folder}/bench.db", Path(folder)), tuple(names)) as writer:
        while seen < count:
            messages = queue.get_batch(BATCH_MESSAGES, 1.0)
            if not messages:
                continue
            decoded = decoder.decode(messages, time.time_ns() // 1000)
            with writer.transaction() as transaction:
                transaction.samples(decoded.batch)
            receiver.ack(messages)
            seen += len(messages)
            committed.append((seen, time.monotonic()))
    pipe.send(committed)
    receiver.stop()


def send_by_the_clock(port: int, packs_s: float, count: int) -> float:
    """Send packs evenly; returns when the first was due, monotonic seconds."""
    packets = [publish_packet(*pack(i), i % 65535 + 1) for i in range(count)]
    sock = connect(port)
    drain = threading.Thread(target=_read_all, args=(sock, 4 * count))
    drain.start()
    began_s = time.monotonic() + 0.1
    sent = 0
    while sent < count:
        due = min(count, int((time.monotonic() - began_s) * packs_s) + 1)
        if due > sent:
            sock.sendall(b"".join(packets[sent:due]))
            sent = due
        time.sleep(0.005)
    drain.join()
    sock.close()
    return began_s


def _read_all(sock: object, count: int) -> None:
    while count > 0:
        count -= len(sock.recv(1 << 16))  # type: ignore[attr-defined]


def delays_s(folder: str, packs_s: float, count: int) -> np.ndarray:
    """How long after it was due each pack was committed."""
    with tempfile.TemporaryDirectory() as apart, Broker(Path(apart), persistence=False) as broker:
        here, there = get_context("spawn").Pipe()
        process = get_context("spawn").Process(target=steadily, args=(broker.port, count, there, folder))
        process.start()
        here.recv()
        began_s = send_by_the_clock(broker.port, packs_s, count)
        committed = here.recv()
        process.join()
    upto, at_s = np.array(committed).T
    due_s = began_s + np.arange(count) / packs_s
    return np.asarray(at_s[np.searchsorted(upto, np.arange(count), side="right")] - due_s)


# --- both scenes ---


def at_full_speed(made: Path, folder: Path, packs: int, runs: int) -> None:
    rates: dict[str, list[tuple[float, float]]] = {"alone": [], "beside trials": []}
    for run in range(runs):
        for how, found in rates.items():
            own = shutil.copytree(made, folder / f"full-{run}-{how[:5]}")
            if how == "alone":
                found.append(measure_in(str(own), "pack", packs, whole_way))
                continue
            with trials(Path(own)) as told:
                found.append(measure_in(str(own), "pack", packs, whole_way))
            print(f"    trials: {told.done} done, {told.busy_s:.1f} s of processor time", flush=True)
    medians = {how: [statistics.median(r[i] for r in found) for i in (0, 1)] for how, found in rates.items()}
    for how, (wall, busy) in medians.items():
        print(f"{how:14s} {wall * 60:>9,.0f} samples/s, by processor time {busy * 60:>9,.0f}")
    slower = [100 * (1 - beside / alone) for alone, beside in zip(*medians.values(), strict=True)]
    print(f"slower by {slower[0]:.1f} %, by processor time {slower[1]:.1f} %", flush=True)


def at_a_pace(made: Path, folder: Path, packs_s: float, for_s: float, runs: int) -> None:
    count = int(packs_s * for_s)
    found: dict[str, list[list[float]]] = {"alone": [], "beside trials": []}
    told_of = Trials()
    for run in range(runs):
        for how, rows in found.items():
            own = shutil.copytree(made, folder / f"pace-{run}-{how[:5]}")
            if how == "alone":
                late = delays_s(str(own), packs_s, count)
            else:
                with trials(Path(own)) as told:
                    late = delays_s(str(own), packs_s, count)
                told_of.done += told.done
                told_of.busy_s += told.busy_s
            rows.append([*np.percentile(late, [50, 99]).tolist(), float(late[-1])])
    print(f"{packs_s * SAMPLES_A_PACK:,.0f} samples/s for {for_s:g} s, {runs} times each:")
    for how, rows in found.items():
        half, most, last = np.median(rows, axis=0) * 1000
        print(f"{how:14s} committed {half:,.0f} ms late, 99 % within {most:,.0f}, the last {last:,.0f}")
    share = told_of.busy_s / (runs * for_s)
    print(f"trials: {told_of.done} done, {share:.2f} of a processor all the time", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--packs", type=int, default=40_000, help="at full speed")
    parser.add_argument("--pace", type=float, default=1000, help="packs a second at a steady pace")
    parser.add_argument("--seconds", type=float, default=30.0, help="at a steady pace")
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        made = plant(folder / "made")
        at_full_speed(made, folder, args.packs, args.runs)
        at_a_pace(made, folder, args.pace, args.seconds, args.runs)


if __name__ == "__main__":
    main()
