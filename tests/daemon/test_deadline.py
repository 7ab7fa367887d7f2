"""One deadline: parts that hang take no time from the others, and the process ends all the same."""

from __future__ import annotations

import subprocess
import sys
import threading

from hissmark.daemon.deadline import Deadline, together
from support.patience import PATIENCE_S

HANGS = """
import os, signal, sys, threading, time
from hissmark.daemon import deadline
deadline.STOP_S = 0.5
last = deadline.LastResort(lambda: 7)
signal.signal(signal.SIGTERM, lambda *_: last.begin())
{body}
os.kill(os.getpid(), signal.SIGTERM)
os.kill(os.getpid(), signal.SIGTERM)
{end}
"""
POOL = "from concurrent.futures import ThreadPoolExecutor\nThreadPoolExecutor().submit(time.sleep, 1e6)"


def run(body: str, end: str) -> subprocess.CompletedProcess[str]:
    code = HANGS.format(body=body, end=end)
    command = [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


def test_parts_that_hang_do_not_hold_up_the_others() -> None:
    hung, done = threading.Event(), []
    stops = [hung.wait, lambda: done.append(1), hung.wait, lambda: 1 // 0, lambda: done.append(2)]
    assert not together(stops, Deadline(0.3), keep_s=0.0)
    assert sorted(done) == [1, 2]
    hung.set()


def test_parts_that_end_are_waited_for_no_longer() -> None:
    deadline = Deadline(1000.0)
    assert together([lambda: None] * 3, deadline)
    assert deadline.left_s(2000.0) == 0.0


def test_a_process_whose_main_thread_hangs_ends_with_its_code() -> None:
    done = run("", "threading.Lock().acquire() and time.sleep(1e6)")
    assert done.returncode == 7
    assert "the deadline has come" in done.stdout + done.stderr


def test_a_process_that_its_pool_would_hold_ends_with_its_code() -> None:
    """The interpreter waits for the threads of pools; nobody waits for the interpreter."""
    done = run(POOL, "last.leave()")
    assert done.returncode == 7
    assert "still busy: ThreadPoolExecutor" in done.stdout + done.stderr


def test_a_process_that_is_done_ends_without_a_word() -> None:
    done = run("print('said')", "last.leave()")
    assert done.returncode == 7
    assert done.stdout + done.stderr == "said\n"
