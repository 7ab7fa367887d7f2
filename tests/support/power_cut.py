"""A power cut as it looks to SQLite: what was synchronised is there, of what came after anything may be.

In WAL mode with `synchronous = FULL` the log is synchronised at each commit, before readers see it, and the
database file before the log begins anew (SQLite, "File format", section 4, and "Write-ahead logging"). So of
the files of a process that was stopped dead this may be damaged without a lie of the disk: the log behind its
last commit frame, pages of the database file that the log still holds, and the index of the log (`-shm`).
A sector in which nothing changes keeps what it has ("powersafe overwrite"), so the file's first one stays.
"""

from __future__ import annotations

import random
import shutil
import struct
from pathlib import Path

_HEADER, _FRAME, _SECTOR = 32, 24, 512


class Cut:
    """The files of one database, to be damaged. Nobody may have them open.

    Attributes:
        torn_bytes, torn_pages: how much was damaged so far.
    """

    def __init__(self, database: Path, rng: random.Random) -> None:
        self._database, self._rng = database, rng
        self._wal = database.with_name(database.name + "-wal")
        self.torn_bytes = self.torn_pages = 0

    def copy_to(self, folder: Path) -> Cut:
        """The same files elsewhere."""
        folder.mkdir()
        for file in (self._database, self._wal):
            if file.exists():
                shutil.copy(file, folder)
        return Cut(folder / self._database.name, self._rng)

    @property
    def database(self) -> Path:
        return self._database

    def tear(self) -> None:
        """Damage everything that may be."""
        self._database.with_name(self._database.name + "-shm").unlink(missing_ok=True)
        if not self._wal.exists():
            return
        log = bytearray(self._wal.read_bytes())
        end, pages = self._synchronised(log)
        self._tear_pages(log, pages)
        self._tear_tail(log, end)

    def _synchronised(self, log: bytearray) -> tuple[int, list[int]]:
        """Where the last commit ends, and the numbers of the pages up to there."""
        if len(log) < _HEADER:
            return 0, []
        page_size, salts = struct.unpack(">I", log[8:12])[0], bytes(log[16:24])
        end, pages, here = _HEADER, [], []
        at = _HEADER
        while at + _FRAME + page_size <= len(log) and bytes(log[at + 8 : at + 16]) == salts:
            number, committed = struct.unpack(">II", log[at : at + 8])
            here.append(number)
            at += _FRAME + page_size
            if committed:
                end, pages, here = at, pages + here, []
        return end, pages

    def _tear_pages(self, log: bytearray, pages: list[int]) -> None:
        """A checkpoint was under way: pages that it copies are there, half there, or not."""
        size = struct.unpack(">I", log[8:12])[0] if pages else 0
        with self._database.open("r+b") as file:
            for number in set(pages):
                if self._rng.random() < 0.3:
                    first = self._rng.randrange(_SECTOR if number == 1 else 0, size)
                    file.seek((number - 1) * size + first)
                    file.write(self._rng.randbytes(self._rng.randrange(1, size - first + 1)))
                    self.torn_pages += 1

    def _tear_tail(self, log: bytearray, end: int) -> None:
        """The commit that was being written is there in part, as noise, or as what once stood there."""
        tail = bytes(log[end:])
        former = bytes(log[_HEADER : _HEADER + self._rng.randrange(1 << 16)])
        noise = self._rng.randbytes(self._rng.randrange(1 << 14))
        part = tail[: self._rng.randrange(len(tail) + 1)]
        end_with = self._rng.choice([b"", part, noise, former, part + noise, part + former])
        self.torn_bytes += len(end_with)
        self._wal.write_bytes(bytes(log[:end]) + end_with)
