"""Measures the judgement on simulated plants with known truth, beside other methods, in one run.

PYTHONPATH=service python tests/bench/quality.py --quick          # a few minutes
PYTHONPATH=service python tests/bench/quality.py                  # full: over 200 valve-years
PYTHONPATH=service python tests/bench/quality.py --only 3:17 --plot out.png

Tune on the quick run's plants (or any seeds below 100); the full run's are for reporting only.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import sys
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from plants.group import GroupRun, Mix, simulate
from plants.plant import Plant, seeds_of
from plants.report import figures, print_causes, print_figures
from plants.score import Exposure, Raised, Record, exposure_of, score
from plants.truth import BIN_S
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rivals.floors import floors_of
from rivals.methods import RIVALS, TUNING
from rivals.ours import run_engine

OURS = "ours"
WORTH_KEEPING = frozenset(
    {
        *("missed", "missed fair", "false", "wrong valve", "pair missed", "pair missed fair"),
        *("fault missed", "false fault", "contested, leak", "contested, no leak"),
    }
)


@dataclass(frozen=True)
class Job:
    """One plant to simulate and to judge by every method."""

    seed: int
    groups: int
    days: float
    methods: tuple[str, ...]
    mix: Mix = field(default_factory=Mix)


@dataclass
class Outcome:
    """What one or several plants gave, per method."""

    watched: Exposure = field(default_factory=Exposure)
    records: dict[str, list[Record]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    samples: int = 0
    errors: list[str] = field(default_factory=list)

    def add(self, other: Outcome) -> None:
        self.watched.add(other.watched)
        self.samples += other.samples
        self.errors += other.errors
        for method, rows in other.records.items():
            self.records.setdefault(method, []).extend(rows)
        for name, spent in other.seconds.items():
            self.seconds[name] = self.seconds.get(name, 0.0) + spent


_done: Any = None


def _share_counter(counter: Any) -> None:
    global _done
    _done = counter


def _advance(days: float) -> None:
    if _done is not None:
        with _done.get_lock():
            _done.value += days


def judge_plant(job: Job) -> Outcome:
    """Simulate a plant and score every method on it. If a method fails, the plant is lost for all."""
    try:
        return _judge_plant(job)
    except Exception:
        return Outcome(errors=[f"plant {job.seed} is not in the figures:\n{traceback.format_exc()}"])


def _judge_plant(job: Job) -> Outcome:
    outcome = Outcome()
    begun = time.perf_counter()
    runs = []
    for index in range(job.groups):
        runs.append(simulate(job.seed, index, job.days, job.mix))
        _advance(0.25 * job.days / job.groups)
    outcome.seconds["simulation"] = time.perf_counter() - begun
    for run in runs:
        outcome.watched.add(exposure_of(run))
    plant = Plant(job.seed, runs)
    outcome.samples = plant.samples
    rivals = [m for m in job.methods if m != OURS]
    _judge_rivals(job, runs, rivals, outcome)
    if OURS in job.methods:
        begun = time.perf_counter()
        alarms = run_engine(plant, progress=lambda s: _advance(s / 86400.0))
        outcome.seconds[OURS] = time.perf_counter() - begun
        outcome.records[OURS] = [
            r for g, run in enumerate(runs) for r in score(run, job.seed, OURS, alarms[g])
        ]
    return outcome


def _judge_rivals(job: Job, runs: list[GroupRun], rivals: list[str], outcome: Outcome) -> None:
    for run in runs:
        begun = time.perf_counter()
        floors = floors_of(run)
        outcome.seconds["floors"] = outcome.seconds.get("floors", 0.0) + time.perf_counter() - begun
        for method in rivals:
            begun = time.perf_counter()
            spans = RIVALS[method](floors)
            outcome.seconds[method] = outcome.seconds.get(method, 0.0) + time.perf_counter() - begun
            alarms = [Raised("passing", c, (a + 1.0) * BIN_S, (b + 1.0) * BIN_S) for c, a, b in spans]
            outcome.records.setdefault(method, []).extend(score(run, job.seed, method, alarms))
        _advance(0.25 * job.days / job.groups)


def engine_exists() -> bool:
    """Whether the product's engine can be imported."""
    import importlib.util

    return importlib.util.find_spec("hissmark.engine.engine") is not None


def run_jobs(jobs: list[Job], workers: int) -> Outcome:
    """All plants, several processes at once, with a progress bar of simulated days."""
    total = Outcome()
    weight = 1.5 if OURS in jobs[0].methods else 0.5
    counter = mp.Value("d", 0.0)
    columns = (TextColumn("plant-days"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
               TimeElapsedColumn(), TimeRemainingColumn())  # fmt: skip
    with Progress(*columns) as bar, mp.Pool(workers, _share_counter, (counter,)) as pool:
        task = bar.add_task("", total=sum(j.days for j in jobs) * weight)
        shown = 0
        waiting = [pool.apply_async(judge_plant, (job,)) for job in jobs]
        while waiting:
            bar.update(task, completed=counter.value)
            ready = [w for w in waiting if w.ready()]
            waiting = [w for w in waiting if not w.ready()]
            for one in ready:
                total.add(one.get())
                for error in total.errors[shown:]:
                    bar.console.print(f"[red]{error}[/red]")
                shown = len(total.errors)
            time.sleep(0.3)
        bar.update(task, completed=counter.value)
    return total


def report(console: Console, total: Outcome, methods: tuple[str, ...], causes_of: tuple[str, ...]) -> None:
    """Print the tables."""
    print_figures(
        console, {m: figures(total.records.get(m, []), total.watched) for m in methods}, total.watched
    )
    spent = ", ".join(f"{name} {s:.0f} s" for name, s in total.seconds.items())
    console.print(f"{total.samples / 1e6:.1f} M samples; processor time: {spent}")
    for method in methods:
        if method in TUNING:
            console.print(f"[bold]{method}[/bold]: {TUNING[method]}")
    for method in causes_of:
        print_causes(console, method, total.records.get(method, []))


def dump(path: Path, total: Outcome) -> None:
    """Every outcome worth looking at as JSON lines."""
    with path.open("w") as out:
        for rows in total.records.values():
            for r in rows:
                if r.outcome in WORTH_KEEPING:
                    out.write(json.dumps(r.line(), default=_plain) + "\n")


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else str(value)


def one_group(console: Console, which: str, days: float, plot: Path | None, mix: Mix) -> None:
    """Replay one group alone, tell its story and draw it."""
    from plants.story import draw, tell

    seed, index = (int(x) for x in which.split(":"))
    run = simulate(seed, index, days, mix)
    ticks: list[Any] = []
    alarms: list[Raised] = []
    if engine_exists():
        alarms = run_engine(Plant(seed, [run]), seen=ticks.append)[0]
    tell(console, run, seed, alarms, OURS)
    if plot is not None:
        draw(run, alarms, ticks, plot)
        console.print(f"drawn: {plot}")


def parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--harsh", action="store_true", help="plants on which the plain survey rule fails one time in three"
    )
    parser.add_argument("--quick", action="store_true", help="2 plants of 40 groups, 20 days")
    parser.add_argument(
        "--seeds", default=None, help="first:last or a list 3,5,8 (default 101:104, quick 1:2)"
    )
    parser.add_argument("--groups", type=int, default=None, help="groups a plant (default 100, quick 40)")
    parser.add_argument("--days", type=float, default=None, help="days of each plant (default 40, quick 20)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--methods", default=None, help="comma separated; default all. " + ", ".join([OURS, *RIVALS])
    )
    parser.add_argument(
        "--causes", default=OURS, help="methods whose failures are broken down, comma separated"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("quality.jsonl"), help="JSON lines of all that went wrong"
    )
    parser.add_argument(
        "--only", default=None, metavar="SEED:GROUP", help="replay one group and tell its story"
    )
    parser.add_argument("--plot", type=Path, default=None, help="with --only: draw it into this PNG")
    return parser.parse_args()


def main() -> None:
    """Entry point."""
    args = parse()
    console = Console(width=200)
    days = args.days or (20.0 if args.quick else 40.0)
    mix = Mix(harsh=args.harsh)
    if args.only:
        one_group(console, args.only, days, args.plot, mix)
        return
    methods = tuple(args.methods.split(",")) if args.methods else (OURS, *RIVALS)
    if OURS in methods and not engine_exists():
        console.print("hissmark.engine.engine is not there yet: comparison methods only")
        methods = tuple(m for m in methods if m != OURS)
    groups = args.groups or (40 if args.quick else 100)
    seeds = seeds_of(args.seeds or ("1:2" if args.quick else "101:104"))
    jobs = [Job(s, groups, days, methods, mix) for s in seeds]
    total = run_jobs(jobs, args.workers)
    report(console, total, methods, tuple(m for m in args.causes.split(",") if m in methods))
    dump(args.out, total)
    console.print(
        f"misses, false and wrong alarms: {args.out} (replay one: --only SEED:GROUP --days {days:g})"
    )

    if total.errors:
        console.print(
            f"[red]{len(total.errors)} of {len(jobs)} plants failed and are not in the figures[/red]"
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
