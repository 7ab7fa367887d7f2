"""Runs the command with a clock of the machine that a file sets: `python stepped.py FILE run SITE`.

FILE holds by how many seconds the clock is ahead; negative: behind. Every way in which the program, or a
library that plans by the time of day, asks for the time goes through it; monotonic clocks stay as they are.
"""

from __future__ import annotations

import sys
import time
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

FILE = Path(sys.argv.pop(1))
_time, _time_ns = time.time, time.time_ns


def ahead_s() -> float:
    return float(FILE.read_text() or 0)


time.time = lambda: _time() + ahead_s()
time.time_ns = lambda: _time_ns() + int(ahead_s() * 1e9)


class Stepped(datetime):
    """`datetime.now` by the same clock."""

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
        return datetime.now(tz) + timedelta(seconds=ahead_s())


import apscheduler.executors.base  # noqa: E402
import apscheduler.schedulers.base  # noqa: E402
import apscheduler.triggers.interval  # noqa: E402

for module in (apscheduler.executors.base, apscheduler.schedulers.base, apscheduler.triggers.interval):
    module.datetime = Stepped

from hissmark.cli.main import app  # noqa: E402

app()
