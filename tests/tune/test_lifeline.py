"""No process of a trial outlives what started it: it would hold up the next trial, or work for nobody."""

from __future__ import annotations

import os
import subprocess
import sys

from hissmark.tune.lifeline import end_all
from support.service import until

CHILD = "from hissmark.tune.lifeline import end_with_parent; import time; end_with_parent(); time.sleep(600)"
PARENT = """
import subprocess, sys, time
print(subprocess.Popen([sys.executable, "-c", sys.argv[1]]).pid, flush=True)
time.sleep(600)
"""


def started(child: str) -> tuple[subprocess.Popen[str], int]:
    """A process that has started another, and the other's number."""
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, child], stdout=subprocess.PIPE, text=True, process_group=0
    )
    assert parent.stdout is not None
    return parent, int(parent.stdout.readline())


def gone(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def test_a_process_ends_when_the_one_that_started_it_is_killed() -> None:
    parent, child = started(CHILD)
    assert not gone(child)
    until(lambda: len(os.listdir(f"/proc/{child}/task")) > 1, "the child to watch its parent")
    parent.kill()
    parent.wait()
    until(lambda: gone(child), "the child to end")


def test_a_trial_called_off_ends_with_all_that_it_started() -> None:
    parent, child = started("import time; time.sleep(600)")
    end_all(parent)
    assert parent.wait() < 0
    until(lambda: gone(child), "the child to end")
    end_all(parent)  # of one that is over nothing is asked
