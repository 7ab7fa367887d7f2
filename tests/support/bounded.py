"""Bounds on the memory of a running process: a limit of its data, or a control group of the kernel.

The first makes a process hear that there is no more (`MemoryError`, malloc(3) returns NULL: setrlimit(2)),
the second has it killed (control groups, "Memory Resource Controller": the out-of-memory killer).
"""

from __future__ import annotations

import contextlib
import os
import re
import resource
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

MB = 1 << 20
_CGROUPS = Path("/sys/fs/cgroup")


def size_mb(pid: int, what: str = "VmData") -> float:
    """What a process may write to (private memory), or `VmRSS` for what it has in memory."""
    found = re.search(rf"{what}:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found
    return int(found[1]) / 1024


def leave_room(pid: int, mb: float) -> None:
    """From now on the process gets so much more memory than it has, and no more.

    Not its address space is bounded: malloc reserves of that what it may only need later.
    """
    resource.prlimit(pid, resource.RLIMIT_DATA, (int((size_mb(pid) + mb) * MB), resource.RLIM_INFINITY))


class Group:
    """A control group for one process at a time, whose memory is bounded."""

    def __init__(self, folder: Path, limit: str) -> None:
        self._folder, self._limit = folder, folder / limit

    def take_in(self, pid: int) -> None:
        (self._folder / "cgroup.procs").write_text(str(pid))

    def bound(self, mb: float | None) -> None:
        """How much the processes may have in memory; None: as much as they like."""
        none = "max" if self._limit.name == "memory.max" else "-1"
        self._limit.write_text(none if mb is None else str(int(mb * MB)))


@contextmanager
def group() -> Iterator[Group]:
    """A group of this test's own; skips where the machine does not let us make one."""
    first = _CGROUPS / "memory" if (_CGROUPS / "memory").is_dir() else _CGROUPS
    folder = first / f"hissmark-test-{os.getpid()}"
    try:
        folder.mkdir()
    except OSError as error:
        pytest.skip(f"no control group can be made here: {error}")
    try:
        limit = next((n for n in ("memory.max", "memory.limit_in_bytes") if (folder / n).exists()), None)
        if limit is None or subprocess.run(["swapon", "--show"], capture_output=True, check=False).stdout:
            pytest.skip("the memory of a control group cannot be bounded here, or it would be swapped out")
        yield Group(folder, limit)
    finally:
        with contextlib.suppress(OSError):
            folder.rmdir()
