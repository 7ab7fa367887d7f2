"""Feeds the decoder what no gateway should send: mutants of every payload format, and of MQTT packets.

    python tests/bench/fuzz.py --inputs 1000000 [--seed 1]

Good messages (SenML packs, JSON values at several pointers, Sparkplug B births, data and deaths) are made
with odd values, then bits, spans and tokens are changed; one input of ten is a stream of MQTT packets
instead. Every message is decoded twice, by itself and among others. Wanted: nothing is raised, every message
is accounted for as samples or rejects, and comes to the same either way. Exit code 1 if not. The same seed
gives the same inputs.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent)]

from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn  # noqa: E402

from support.fuzzing import Outcome, fuzz  # noqa: E402


def told(outcome: Outcome, took_s: float) -> str:
    """What was done, for people."""
    lines = [
        f"{outcome.messages:,} payloads and {outcome.streams:,} streams of MQTT packets in {took_s:.0f} s",
        f"  {outcome.samples:,} samples, {sum(outcome.rejects.values()):,} records turned away, of which "
        f"{outcome.unknown:,} of unknown names",
        f"  {outcome.silent:,} Sparkplug messages without a measurement (states, commands, deaths)",
        f"  {outcome.packets:,} packets out of the streams; {outcome.broken:,} streams refused as no MQTT",
        *(f"  {count:10,}  {reason}" for reason, count in outcome.rejects.most_common()),
        f"wrong: {outcome.wrong}" if outcome.wrong else "nothing raised, everything accounted for",
        *(f"  {text}" for text in outcome.shown),
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    columns = TextColumn("mutants"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn()
    began_s = time.monotonic()
    with Progress(*columns) as bar:
        task = bar.add_task("", total=asked.inputs)
        outcome = fuzz(asked.inputs, asked.seed, lambda done: bar.advance(task, done))
    print(told(outcome, time.monotonic() - began_s))
    sys.exit(1 if outcome.wrong else 0)


if __name__ == "__main__":
    main()
