"""Trials in the background: a process of its own at the lowest priority, with progress and an end on demand.

What the service ingests goes first: the process asks for idle time only, so a trial takes longer on a busy
machine and never holds up a sample.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hissmark.tune.lifeline import end_all
from hissmark.tune.request import Request

MOST_KEPT = 50
MOST_WAITING = 20
RUNNING, DONE, FAILED, STOPPED, WAITING = "running", "done", "failed", "called off", "waiting"


class TooManyError(Exception):
    """There are so many trials waiting that another would not be looked at for hours."""


@dataclass
class Run:
    """One trial. `share` from 0 to 1; `result` once it is done, `message` if it failed."""

    id: int
    author: str
    asked_us: int
    request: Request
    state: str = WAITING
    share: float = 0.0
    result: dict[str, Any] | None = None
    message: str = ""
    process: subprocess.Popen[str] | None = field(default=None, repr=False)


class Runs:
    """The trials of a service: one at a time, the others wait. The newest are kept until the service ends."""

    def __init__(self, site: Path, now_us: Callable[[], int]) -> None:
        self._site, self._now_us = site, now_us
        self._runs: dict[int, Run] = {}
        self._lock = threading.Condition()
        self._stopping = False
        self._thread: threading.Thread | None = None
        self._number = 0

    def ask(self, request: Request, author: str) -> Run:
        """Put a trial into the queue. Raises TooManyError."""
        with self._lock:
            if sum(run.state == WAITING for run in self._runs.values()) >= MOST_WAITING:
                raise TooManyError(f"{MOST_WAITING} trials are waiting already; call some off or wait.")
            self._number += 1
            run = Run(self._number, author, self._now_us(), request)
            self._runs[run.id] = run
            self._forget()
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="tuning", daemon=True)
                self._thread.start()
            self._lock.notify_all()
            return run

    def all(self) -> list[Run]:
        """Newest first."""
        with self._lock:
            return sorted(self._runs.values(), key=lambda run: -run.id)

    def get(self, number: int) -> Run | None:
        """One trial, None if there is none of that number (any more)."""
        with self._lock:
            return self._runs.get(number)

    def call_off(self, number: int) -> Run | None:
        """End a trial that waits or runs; one that is over stays as it is."""
        with self._lock:
            run = self._runs.get(number)
            if run is not None and run.state in (WAITING, RUNNING):
                run.state = STOPPED
                if run.process is not None:
                    end_all(run.process)
            return run

    def stop(self) -> None:
        """End everything; the service stops."""
        with self._lock:
            self._stopping = True
            for run in self._runs.values():
                if run.state in (WAITING, RUNNING):
                    run.state = STOPPED
                if run.process is not None:
                    end_all(run.process)
            self._lock.notify_all()

    def _forget(self) -> None:
        over = [r.id for r in self._runs.values() if r.state not in (WAITING, RUNNING)]
        for number in over[: max(0, len(self._runs) - MOST_KEPT)]:
            del self._runs[number]

    def _work(self) -> None:
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._stopping or self._next() is not None)
                run = self._next()
                if self._stopping or run is None:
                    return
                run.state = RUNNING
                run.process = _started(self._site)
            self._follow(run, run.process)

    def _next(self) -> Run | None:
        waiting = (run for run in self._runs.values() if run.state == WAITING)
        return min(waiting, key=lambda run: run.id, default=None)

    def _follow(self, run: Run, process: subprocess.Popen[str]) -> None:
        """Hand the request over and read what comes back, line by line."""
        with contextlib.suppress(BrokenPipeError):
            if process.stdin is not None:
                process.stdin.write(json.dumps(run.request.shape()))
                process.stdin.close()
        for line in process.stdout or ():
            self._heard(run, line)
        process.wait()
        with self._lock:
            if run.state == RUNNING:
                run.state = FAILED
                run.message = "the trial ended before it was finished; see the log of the service."
            run.process = None

    def _heard(self, run: Run, line: str) -> None:
        try:
            said = json.loads(line)
        except ValueError:
            return
        with self._lock:
            if run.state != RUNNING:
                return
            run.share = said.get("share", run.share)
            if "result" in said:
                run.state, run.share, run.result = DONE, 1.0, said["result"]
            elif "trouble" in said:
                run.state, run.message = FAILED, said["trouble"]


def _started(site: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "hissmark.tune.worker", str(site)]
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    # a group of its own, no session: Linux gives each session an equal share, idle or not (autogroup)
    return subprocess.Popen(  # noqa: S603 - our own interpreter, our own module
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **threads},
        process_group=0,
    )  # fmt: skip
