"""Blocks of ticks as bytes: compressed, with a checksum.

Layout of an encoded block: `HMB3`, CRC-32 of all that follows (4 bytes, little-endian like everything
here), length of the uncompressed rest (4 bytes), then zstd of: length of the head (4 bytes), the head (JSON:
channel names, number of ticks, columns with their types, columns of the group), the times, the columns one
after another, then those of the group. Each column runs channel by channel and has its bytes grouped by
significance, which compresses far better. Names stand in the head, so that changes of the register cannot
shift old columns; a column that an older version did not write is unknown.

What can be computed is not kept twice: of `rise_db` stands there in which bits it differs from `level_db`
less `baseline_db`, mostly none. Blocks that begin with `HMB1` have it in full.

A column that is the same throughout stands in the head only, with the bits of its value. Levels of few digits
are kept as steps of their last decimal (`store.steps`), behind the columns; `steps` in the head says which
columns are among them. Blocks that begin with `HMB2` have none of both.
"""

from __future__ import annotations

import struct
import zlib
from itertools import groupby
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.engine.readings import F32
from hissmark.store.blocks import OF_GROUP, TYPES, Block, unknown
from hissmark.store.steps import Steps, levels_of, steps_of

_LISTS = {"columns": TYPES, "of_group": OF_GROUP}
"""How the head names the columns, in the order in which they follow."""
_AS_STEPS = ("level_db", "l50_db", "l10_db")
_MAGIC, _WITHOUT_STEPS, _IN_FULL = b"HMB3", b"HMB2", b"HMB1"
_MOST_BYTES = 1 << 30
_CODEC = pa.Codec("zstd", compression_level=1)


class DamagedBlockError(ValueError):
    """An encoded block is not what was written."""


def encode(block: Block) -> bytes:
    """The block as bytes for the store."""
    kept = {n: block.column(n).astype(t, copy=False) for kinds in _LISTS.values() for n, t in kinds.items()}
    kept["rise_db"] = _against_difference(kept["rise_db"], kept["level_db"], kept["baseline_db"])
    steps = steps_of(np.ascontiguousarray(np.hstack([kept.pop(name) for name in _AS_STEPS]).T))
    same = {name: bits for name, column in kept.items() if (bits := _same(column)) is not None}
    listed = {key: [_listed(n, t, same) for n, t in ks.items() if n in kept] for key, ks in _LISTS.items()}
    told = {"steps": (_AS_STEPS, steps.digits, steps.changes.dtype.str, len(steps.first))}
    head = msgspec.json.encode({"channels": block.channels, "ticks": len(block), **listed, **told})
    parts = [struct.pack("<I", len(head)), head, block.time_us.astype("<i8").tobytes()]
    parts += [_shuffled(column.T) for name, column in kept.items() if name not in same]
    parts += map(_shuffled, (steps.first, steps.changes, steps.units))
    if len(steps.plain):
        parts += map(_shuffled, (steps.fitting, steps.plain))
    raw = b"".join(parts)
    rest = struct.pack("<I", len(raw)) + _CODEC.compress(raw, asbytes=True)
    encoded: bytes = _MAGIC + struct.pack("<I", zlib.crc32(rest)) + rest
    return encoded


def _same(column: npt.NDArray[Any]) -> int | None:
    """The bits of the value that a column has throughout; None if it has several, or none."""
    bits = column.view(f"<u{column.itemsize}").reshape(-1)
    return int(bits[0]) if len(bits) and (bits == bits[0]).all() else None


def _listed(name: str, kind: npt.DTypeLike, same: dict[str, int]) -> list[str | int]:
    return [name, str(kind), *([same[name]] if name in same else [])]


def _against_difference(rise_db: F32, level_db: F32, baseline_db: F32) -> F32:
    """Rises as the bits in which they differ from the difference, and the other way round."""
    expected = (level_db - baseline_db).astype("<f4")
    expected[np.isnan(expected)] = np.nan  # which of the many NaN a machine makes is its own affair
    found: F32 = (rise_db.astype("<f4").view("<u4") ^ expected.view("<u4")).view("<f4")
    return found


def _shuffled(numbers: npt.NDArray[Any]) -> bytes:
    """Their bytes grouped by significance."""
    in_line = np.ascontiguousarray(numbers).reshape(-1)
    return in_line.view(np.uint8).reshape(-1, in_line.itemsize).T.tobytes()


def decode(payload: bytes) -> Block:
    """The block that `encode` was given. Raises DamagedBlockError if a single bit differs."""
    if payload[:4] not in (_MAGIC, _WITHOUT_STEPS, _IN_FULL) or len(payload) < 12:
        raise DamagedBlockError("the block does not start as one of ours")
    checksum, raw_bytes = struct.unpack_from("<II", payload, 4)
    if zlib.crc32(payload[8:]) != checksum:
        raise DamagedBlockError("the block's checksum does not match")
    if raw_bytes > _MOST_BYTES:
        raise DamagedBlockError(f"the block claims {raw_bytes} bytes")
    try:
        return _read(_CODEC.decompress(payload[12:], raw_bytes, asbytes=True), payload[:4] == _IN_FULL)
    except (OSError, ValueError, KeyError, struct.error, msgspec.MsgspecError) as error:
        raise DamagedBlockError(f"the block cannot be read: {error}") from error


def _read(raw: bytes, in_full: bool) -> Block:
    (head_bytes,) = struct.unpack_from("<I", raw)
    head = msgspec.json.decode(raw[4 : 4 + head_bytes])
    ticks, channels = head["ticks"], tuple(head["channels"])
    rest = _Rest(raw, 4 + head_bytes)
    time_us = rest.numbers("<i8", ticks).astype(np.int64)
    found: dict[str, npt.NDArray[Any]] = {}
    for key, width in (("columns", len(channels)), ("of_group", 1)):
        listed = head.get(key, ())
        found |= {name: _filled(kind, bits[0], (ticks, width)) for name, kind, *bits in listed if bits}
        for kind, some in groupby((each for each in listed if len(each) == 2), lambda each: each[1]):
            names = [name for name, _ in some]
            found |= zip(names, rest.columns(kind, len(names), ticks, width), strict=True)
    if "steps" in head:
        names, digits, changes, fitting = head["steps"]
        levels = levels_of(rest.steps(digits, changes, fitting, ticks, len(names) * len(channels)))
        found |= zip(names, _by_tick(levels, len(names), ticks, len(channels)), strict=True)
    if not in_full and "rise_db" in found:
        found["rise_db"] = _against_difference(found["rise_db"], found["level_db"], found["baseline_db"])
    columns = {n: found[n] if n in found else unknown(t, (ticks, len(channels))) for n, t in TYPES.items()}
    return Block.of(channels, time_us, columns, {n: found[n][:, 0] for n in OF_GROUP if n in found})


def _filled(kind: str, bits: int, shape: tuple[int, int]) -> npt.NDArray[Any]:
    found = np.empty(shape, kind)
    found.view(f"<u{found.itemsize}").fill(bits)
    return found


class _Rest:
    """What follows the head, read from front to back."""

    def __init__(self, raw: bytes, at: int) -> None:
        self._raw, self._at = raw, at

    def numbers(self, kind: npt.DTypeLike, count: int) -> npt.NDArray[Any]:
        """Numbers as they stand there; they may not be written to."""
        found = np.frombuffer(self._raw, kind, count, self._at)
        self._at += found.nbytes
        return found

    def _rows(self, kind: npt.DTypeLike, rows: int, numbers: int) -> npt.NDArray[Any]:
        """[rows, numbers] whose bytes are grouped by significance, all together."""
        return self._planes(kind, 1, rows * numbers).reshape(rows, numbers)

    def _planes(self, kind: npt.DTypeLike, parts: int, numbers: int) -> npt.NDArray[Any]:
        """[parts, numbers] whose bytes are grouped by significance, part by part."""
        dtype = np.dtype(kind)
        if dtype.itemsize == 1:
            return self.numbers(dtype, parts * numbers).reshape(parts, numbers)
        planes = self.numbers(np.uint8, parts * numbers * dtype.itemsize)
        together = planes.reshape(parts, dtype.itemsize, numbers).transpose(0, 2, 1)
        return np.ascontiguousarray(together).view(dtype).reshape(parts, numbers)

    def columns(self, kind: npt.DTypeLike, count: int, ticks: int, width: int) -> npt.NDArray[Any]:
        """Columns [count, ticks, width] of one type that stand there channel by channel."""
        return _by_tick(self._planes(kind, count, width * ticks), count, ticks, width)

    def steps(self, digits: int, changes: str, fitting: int, ticks: int, rows: int) -> Steps:
        """What `steps_of` made of so many rows, of which so many fit."""
        first = self._rows("<i4", fitting, min(ticks, 1))
        change, units = self._rows(changes, fitting, max(ticks - 1, 0)), self._rows("i1", fitting, ticks)
        if fitting == rows:
            return Steps(digits, np.ones(rows, bool), first, change, units, np.empty((0, ticks), np.float32))
        which = self._rows(np.bool_, rows, 1)[:, 0]
        return Steps(digits, which, first, change, units, self._rows("<f4", rows - fitting, ticks))


def _by_tick(levels: npt.NDArray[Any], count: int, ticks: int, width: int) -> npt.NDArray[Any]:
    """[count, ticks, width] of columns that run channel by channel."""
    return levels.reshape(count, width, ticks).transpose(0, 2, 1).copy()
