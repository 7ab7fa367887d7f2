"""Running the jobs of a replay: in this process, or each in a process of its own."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess

from hissmark.replay.rows import ReplayError
from hissmark.replay.shards import Job, Outcome, run, serve

_JOIN_S = 5.0


def run_jobs(jobs: Sequence[Job], on_rows: Callable[[int], None]) -> list[Outcome]:
    """Outcomes in the order of the jobs. One job runs here; several run side by side."""
    if len(jobs) == 1:
        return [run(jobs[0], on_rows)]
    context = multiprocessing.get_context("spawn")
    processes: list[SpawnProcess] = []
    pipes: list[Connection] = []
    try:
        for job in jobs:
            ours, theirs = context.Pipe(duplex=False)
            process = context.Process(target=serve, args=(job, theirs), daemon=True)
            process.start()
            theirs.close()
            processes.append(process)
            pipes.append(ours)
        return _collected(pipes, on_rows)
    finally:
        for process in processes:
            process.terminate()
            process.join(_JOIN_S)


def _collected(pipes: list[Connection], on_rows: Callable[[int], None]) -> list[Outcome]:
    """Listen to all until each has delivered its outcome."""
    found: dict[int, Outcome] = {}
    while len(found) < len(pipes):
        open_pipes: list[Connection] = [p for i, p in enumerate(pipes) if i not in found]
        for ready in wait(open_pipes):
            which = next(i for i, p in enumerate(pipes) if p is ready)
            message = _received(pipes[which])
            if isinstance(message, Outcome):
                found[which] = message
            else:
                on_rows(message)
    return [found[i] for i in range(len(pipes))]


def _received(pipe: Connection) -> Outcome | int:
    try:
        message = pipe.recv()
    except EOFError:
        raise ReplayError(
            "a process of the replay ended early (out of memory?); try fewer --workers."
        ) from None
    if isinstance(message, ReplayError):
        raise message
    if isinstance(message, (Outcome, int)):
        return message
    raise ReplayError(f"a process of the replay sent {type(message).__name__}, which nobody expected.")
