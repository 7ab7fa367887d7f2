"""Hours of a plant that sends without pause: does the service keep pace, and does anything grow?

    python tests/bench/soak.py --hours 6 --rate half --out soak.csv
    python tests/bench/soak.py --report soak.csv         what a run, also one under way, has shown so far

A real `hissmark run` behind a real Mosquitto. Fast sensors send single JSON values at QoS 1, `--rate`
messages a second together (`half`: half of what the machine takes, measured first); `--packed` slow ones
send a SenML pack of 60 a minute each. Every `--every` seconds a row of measurements goes to the CSV file,
and a few pages are asked for. At the end: what grew an hour, with its standard error, after the warm-up;
whether all that was sent is stored. Ctrl-C or SIGTERM ends the run early and reports. Exit code 1 if
something grew beyond its limit or was lost.

Limits: memory (PSS) 1 % an hour; lag, age of what is being stored, write-ahead log and descriptors may not
grow. The program is copied first, so that what happens to the working tree meanwhile does not touch it. A
busy machine makes the gateway late (column `publisher_behind_s`); it sends what it missed, as gateways do.
"""

from __future__ import annotations

import argparse
import csv
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from soaking.measure import NAMES, Measure  # noqa: E402
from soaking.plant import SOURCES, Plant  # noqa: E402
from soaking.publisher import Publisher  # noqa: E402
from soaking.slopes import slope  # noqa: E402

import hissmark  # noqa: E402
from support.broker import Broker  # noqa: E402
from support.postgres import Postgres  # noqa: E402
from support.publish import Gateway  # noqa: E402
from support.service import Service, until, write_site  # noqa: E402

PROBE_MESSAGES, PROBE_CHANNELS = 200_000, 1000
LEARNING = {"baseline": {"learn_s": 3600, "learn_windows": 5}}
DRAIN_S = 600.0
LIMITS = (
    # column, what it is, unit, limit an hour (of the mean if a share)
    ("pss_mb", "memory (PSS)", "%", 1.0),
    ("lag_s", "receipt to commit", "s", 0.1),
    ("behind_s", "age of what is stored", "s", 1.0),
    ("wal_mb", "write-ahead log", "MB", 1.0),
    ("descriptors", "open descriptors", "", 0.5),
)


class EndedError(Exception):
    """Told to end."""


def code_of_its_own(folder: Path) -> dict[str, str]:
    """A copy of the program; returns the environment in which it is the one that runs."""
    package = Path(hissmark.__file__).parent
    shutil.copytree(package, folder / "code" / "hissmark", ignore=shutil.ignore_patterns("__pycache__"))
    if (package.parent / "docs").is_dir():
        shutil.copytree(package.parent / "docs", folder / "code" / "docs")
    return {"PYTHONPATH": str(folder / "code")}


def started(
    folder: Path, plant: Plant, store_url: str, env: dict[str, str], stack: ExitStack
) -> tuple[Broker, Service]:
    """A broker and a service on a new site."""
    broker = stack.enter_context(Broker(folder / "broker", apart=True))
    site = write_site(
        folder / "site", broker, plant.register(), store_url=store_url, sources=SOURCES, tables=LEARNING
    )
    service = stack.enter_context(Service(site, env, apart=True))
    service.start()
    return broker, service


def capacity(folder: Path, store_url: str, env: dict[str, str]) -> float:
    """Single messages a second through broker, service and store, while pages are left alone."""
    plant = Plant(PROBE_CHANNELS * 3.0, PROBE_CHANNELS, 0)
    with ExitStack() as stack:
        broker, service = started(folder / "probe", plant, store_url, env, stack)
        began_s = time.time()
        start_s = began_s - PROBE_MESSAGES / plant.rate
        Gateway(broker, window=2000).send(plant.messages(start_s, PROBE_MESSAGES))
        until(lambda: service.metric("hissmark_samples_total") >= PROBE_MESSAGES, "the probe", DRAIN_S)
        return PROBE_MESSAGES / (time.time() - began_s)


def soak(asked: argparse.Namespace, folder: Path, stack: ExitStack) -> bool:
    """Run; returns whether everything that was sent is stored."""
    env = code_of_its_own(folder)
    urls = ["sqlite:///data/hissmark.db"] * 2
    if asked.store == "postgres":
        server = stack.enter_context(Postgres(durable=True))
        urls = [server.url(server.new_database()) for _ in range(2)]
    rate = capacity(folder, urls[0], env) / 2 if asked.rate == "half" else float(asked.rate)
    shutil.rmtree(folder / "probe", ignore_errors=True)
    plant = Plant.of(rate, asked.packed)
    broker, service = started(folder, plant, urls[1], env, stack)
    print(
        f"{rate:,.0f} single messages/s of {plant.fast} channels, {plant.slow} packs of 60 a minute; "
        f"{asked.hours:g} h; figures in {asked.out}",
        flush=True,
    )
    began_s = time.time()
    with Publisher(broker, plant, began_s) as publisher:
        try:
            watch(asked, service, broker, publisher, began_s)
        except EndedError:
            print("told to end", flush=True)
        publisher.end()
        return all_stored(service, publisher.told.sent.value)


def watch(
    asked: argparse.Namespace, service: Service, broker: Broker, publisher: Publisher, began_s: float
) -> None:
    """A row now and then until the time is over."""
    assert broker.process is not None
    measure = Measure(service, broker.process.pid, began_s)
    with asked.out.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(NAMES)
        due_s = began_s
        while time.time() < began_s + asked.hours * 3600.0:
            due_s = max(due_s + asked.every, time.time())
            time.sleep(max(0.0, due_s - time.time()))
            if not service.running or not publisher.alive:
                raise RuntimeError(f"service or publisher ended: {service.log()[-3:]}")
            row = measure.row(publisher.told.sent.value, publisher.told.behind_s.value)
            table.writerow([_cell(getattr(row, name)) for name in NAMES])
            file.flush()


def _cell(value: float) -> str:
    """As short as it can be said; empty if it is not known."""
    if value != value:
        return ""
    return str(int(value)) if value == int(value) else f"{value:.6g}"


def all_stored(service: Service, sent: int) -> bool:
    """Wait until what was sent is stored; whether it is exactly that, and the service stops as it should."""

    def stored() -> float:
        return service.metric("hissmark_samples_total")

    began_s = time.time()
    while stored() < sent and time.time() < began_s + DRAIN_S:
        time.sleep(1)
    found = int(stored())
    code = service.stop()
    said = "nothing lost" if found == sent else "NOT the same"
    print(f"sent {sent:,} samples, stored {found:,}: {said}")
    print(f"stopped with code {code} in {service.stopped_s:.1f} s", flush=True)
    return found == sent and code == 0


def read(file: Path) -> dict[str, list[float]]:
    """Columns of the CSV file."""
    with file.open(newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if None not in row.values()]
    return {name: [float(row[name] or "nan") for row in rows] for name in NAMES}


def report(columns: dict[str, list[float]], warm_up_s: float | None) -> bool:
    """Print what grew; returns whether all of it is within its limits."""
    at_s = columns["at_s"]
    if not at_s:
        print("no measurements")
        return False
    after_s = warm_up_s if warm_up_s is not None else min(max(600.0, 0.2 * at_s[-1]), 0.5 * at_s[-1])
    kept = [i for i, at in enumerate(at_s) if at >= after_s]
    hours = at_s[-1] / 3600.0
    print(f"{hours:.2f} h, of which the first {after_s / 60:.0f} min are left out; {len(kept)} rows")
    fine = [_line(columns, kept, *limit) for limit in LIMITS]
    for name, what, unit in (
        ("rss_mb", "resident memory", "MB"), ("lag_s", "receipt to commit", "s"),
        ("queue_messages", "queue", ""),
        ("broker_mb", "memory of the broker", "MB"), ("answer_s", "slowest answer of the pages", "s"),
        ("publisher_behind_s", "gateway late", "s"), ("alarms", "active alarms", ""),
    ):  # fmt: skip
        _span(what, unit, [columns[name][i] for i in kept])
    return all(fine)


def _line(
    columns: dict[str, list[float]], kept: Sequence[int], name: str, what: str, unit: str, limit: float
) -> bool:
    found = slope([columns["at_s"][i] for i in kept], [columns[name][i] for i in kept])
    if found is None:
        print(f"  {what:24s} too few figures")
        return True
    bound = limit * found.mean / 100.0 if unit == "%" else limit
    scale = 100.0 / found.mean if unit == "%" and found.mean else 1.0
    said = "within" if found.sure(bound) else "within (run longer to be sure)"
    said = "BEYOND" if found.grows(bound) else said
    growth = f"{found.an_hour * scale:+8.3f} ± {found.error * scale:.3f} {unit}"
    print(f"  {what:24s} mean {found.mean:10.3f}  growth {growth} an hour, limit {limit:g}: {said}")
    return not found.grows(bound)


def _span(what: str, unit: str, values: Sequence[float]) -> None:
    known = sorted(v for v in values if v == v)
    if known:
        p50, p99 = known[len(known) // 2], known[int(0.99 * (len(known) - 1))]
        print(f"  {what:28s} median {p50:10.3f}  99 % {p99:10.3f}  highest {known[-1]:10.3f} {unit}")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=6.0)
    parser.add_argument("--rate", default="half", help="single messages a second, or half")
    parser.add_argument("--packed", type=int, default=200, help="slow channels, a pack of 60 a minute each")
    parser.add_argument("--every", type=float, default=10.0, help="seconds between two rows")
    parser.add_argument("--warm-up", type=float, help="minutes left out (default: a fifth, 10 or more)")
    parser.add_argument("--store", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--out", type=Path, default=Path("soak.csv"))
    parser.add_argument("--folder", type=Path, help="where site and broker stay (default: nowhere)")
    parser.add_argument("--report", type=Path, metavar="CSV", help="evaluate a file and do nothing else")
    return parser.parse_args()


def _end_now(*_: object) -> None:
    raise EndedError


def main() -> None:
    asked = arguments()
    warm_up_s = None if asked.warm_up is None else asked.warm_up * 60.0
    if asked.report:
        sys.exit(0 if report(read(asked.report), warm_up_s) else 1)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _end_now)
    if asked.folder:
        asked.folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as temporary, ExitStack() as stack:
        stored = soak(asked, asked.folder or Path(temporary), stack)
    fine = report(read(asked.out), warm_up_s)
    sys.exit(0 if fine and stored else 1)


if __name__ == "__main__":
    main()
