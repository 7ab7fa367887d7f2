"""Processes of a trial that end with whoever started them, however that one ended."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
import time

LOOK_S = 1.0


def end_with_parent() -> None:
    """End this process once its parent is gone: nobody would wait for what it works out."""
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, name="lifeline", daemon=True).start()


def end_all(process: subprocess.Popen[str]) -> None:
    """End a process that leads a group of its own, and all that it started, at once."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
