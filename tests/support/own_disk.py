"""A disk of the test's own: ext4 in a file, whose kernel can be told that it has found a fault in it.

Then it does what it does with a real one that is mounted with `errors=remount-ro`, the default of many
installations: nothing can be written any more, under whoever has files open (ext4(5), mount options).
"""

from __future__ import annotations

import subprocess
from pathlib import Path
from types import TracebackType

import pytest

SIZE_MB = 64


class OwnDisk:
    """Mounted at `folder`; skips where we may not mount, or the kernel has no ext4."""

    def __init__(self, folder: Path, image: Path) -> None:
        self._folder, self._image = folder, image

    def fail(self) -> None:
        """A fault is found: from now on it is read-only, and cannot be made writable but by a repair."""
        (self._kernel / "trigger_fs_error").write_text("test")

    def repair(self) -> None:
        """What an administrator does. Nobody may have a file on it open."""
        _run("umount", self._folder)
        done = subprocess.run(["e2fsck", "-p", self._image], capture_output=True, text=True, check=False)
        assert done.returncode in (0, 1), done.stdout  # 1: errors were corrected (e2fsck(8))
        self._mount()

    @property
    def _kernel(self) -> Path:
        """Where the kernel shows this file system."""
        mounts = [line.split() for line in Path("/proc/mounts").read_text().splitlines()]
        device = next(row[0] for row in mounts if row[1] == str(self._folder))
        return Path("/sys/fs/ext4") / Path(device).name

    def _mount(self) -> None:
        _run("mount", "-t", "ext4", "-o", "loop,errors=remount-ro", self._image, self._folder)

    def __enter__(self) -> OwnDisk:
        self._folder.mkdir(parents=True, exist_ok=True)
        with self._image.open("wb") as file:
            file.truncate(SIZE_MB << 20)
        try:
            _run("mkfs.ext4", "-q", "-F", self._image)
            self._mount()
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f"no disk of our own can be made here: {error}")
        if not (self._kernel / "trigger_fs_error").exists():
            self.__exit__(None, None, None)
            pytest.skip("this kernel cannot be told of a fault")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        _run("umount", "-l", self._folder)


def _run(*words: str | Path) -> None:
    subprocess.run(list(words), check=True, capture_output=True)
