"""What the C library and Arrow keep of freed memory, held small: a service of months may not swell.

glibc gives each thread that allocates a heap of its own (up to eight a processor), and of each its highest
use stays: a page asked for on one thread, a daily check on another, a report on a third add up. Two will do,
since Python's lock lets hardly more allocate at once.
"""

from __future__ import annotations

import ctypes
import sys

_ARENA_MAX, _MMAP_THRESHOLD, _TRIM_THRESHOLD = -8, -3, -1
"""malloc.h of glibc; the numbers of mallopt are part of its binary interface."""
_HEAPS = 2
_LARGE_BYTES = 4 << 20
"""Arrays from this size on are mapped singly and leave no hole. By itself glibc raises this to 32 MB."""


def share_heaps() -> None:
    """Threads share heaps. Call it before any is started; elsewhere than on glibc nothing happens."""
    mallopt = getattr(_libc(), "mallopt", None)
    if mallopt is None:
        return
    for name, value in (
        (_ARENA_MAX, _HEAPS), (_MMAP_THRESHOLD, _LARGE_BYTES), (_TRIM_THRESHOLD, 2 * _LARGE_BYTES),
    ):  # fmt: skip
        mallopt(name, value)


def give_back() -> None:
    """Freed memory goes back to the machine, after what needs much of it for once."""
    arrow = sys.modules.get("pyarrow")
    if arrow is not None:
        arrow.default_memory_pool().release_unused()
    trim = getattr(_libc(), "malloc_trim", None)
    if trim is not None:
        trim(ctypes.c_size_t(0))


def _libc() -> ctypes.CDLL | None:
    """The C library of this process; None where there is no such thing."""
    try:
        return ctypes.CDLL(None)
    except (OSError, TypeError):
        return None
