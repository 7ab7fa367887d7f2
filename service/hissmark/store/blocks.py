"""How an hour of a group's ticks is kept: columns over ticks and channels, compressed, with a checksum.

Layout of an encoded block: `HMB1`, CRC-32 of all that follows (4 bytes, little-endian like everything
here), length of the uncompressed rest (4 bytes), then zstd of: length of the head (4 bytes), the head (JSON:
channel names, number of ticks, columns with their types), the times, the columns one after another. Each
column runs channel by channel and has its bytes grouped by significance, which compresses far better. Names
stand in the head, so that changes of the register cannot shift old columns.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.engine.layout import Layout
from hissmark.engine.readings import F32, U8, Tick

HOUR_US = 3600 * 1_000_000
UNKNOWN_CODE = 255
"""Stands in code columns where a channel has no value at a tick."""

LEVELS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "difference_bar")
CODES = ("verdict", "reason", "open_")
_TYPES: dict[str, npt.DTypeLike] = {**dict.fromkeys(LEVELS, "<f4"), **dict.fromkeys(CODES, "u1")}
_MAGIC = b"HMB1"
_MOST_BYTES = 1 << 30
_CODEC = pa.Codec("zstd", compression_level=1)


class DamagedBlockError(ValueError):
    """An encoded block is not what was written."""


@dataclass(frozen=True, eq=False, slots=True)
class Block:
    """Ticks of one group. Arrays but `time_us` are [ticks, channels]; NaN or `UNKNOWN_CODE` where unknown.

    Attributes:
        channels: names of the channels, in pipe order.
        time_us: int64[ticks], ascending, no time twice.
        level_db, l50_db, l10_db, baseline_db, rise_db, expected_db, difference_bar: float32, as in `Tick`.
        verdict, reason, open_: uint8, as in `Tick`.
    """

    channels: tuple[str, ...]
    time_us: npt.NDArray[np.int64]
    level_db: F32
    l50_db: F32
    l10_db: F32
    baseline_db: F32
    rise_db: F32
    expected_db: F32
    difference_bar: F32
    verdict: U8
    reason: U8
    open_: U8

    def __len__(self) -> int:
        return len(self.time_us)

    def column(self, name: str) -> npt.NDArray[Any]:
        """A column by name, one of `LEVELS` and `CODES`."""
        found: npt.NDArray[Any] = getattr(self, name)
        return found

    def rows(self, which: slice) -> Block:
        """Some of the ticks."""
        return Block(self.channels, self.time_us[which], *(self.column(name)[which] for name in _TYPES))


def of_tick(tick: Tick, layout: Layout) -> Iterator[tuple[str, Block]]:
    """One block of one tick for every group that closed; what `Transaction.ticks` takes."""
    columns = {name: getattr(tick, name)[np.newaxis, :] for name in _TYPES}
    for g in tick.groups.tolist():
        first, count = int(layout.first[g]), int(layout.count[g])
        channels = tuple(c.name for c in layout.channels[first : first + count])
        part = {name: column[:, first : first + count].copy() for name, column in columns.items()}
        yield layout.group_names[g], Block(channels, np.array([tick.at_us], np.int64), **part)


def by_hour(block: Block) -> Iterator[tuple[int, Block]]:
    """The block cut at full hours: (start of the hour, its ticks)."""
    hours = block.time_us // HOUR_US
    cuts = [0, *(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(block)]
    for begin, end in pairwise(cuts):
        if end > begin:
            yield int(hours[begin]) * HOUR_US, block.rows(slice(begin, end))


def merge(first: Block, second: Block) -> Block:
    """Both together by time. Where both have a channel at a tick, `first` stands."""
    channels = tuple(dict.fromkeys(first.channels + second.channels))
    column_of = {name: i for i, name in enumerate(channels)}
    time_us = np.union1d(first.time_us, second.time_us)
    merged = {}
    for name in _TYPES:
        into = _unknown(name, (len(time_us), len(channels)))
        for part in (second, first):
            columns = np.array([column_of[c] for c in part.channels], np.int64)
            at = np.ix_(np.searchsorted(time_us, part.time_us), columns)
            into[at] = part.column(name)
        merged[name] = into
    return Block(channels, time_us, **merged)


def _unknown(name: str, shape: tuple[int, int]) -> npt.NDArray[Any]:
    return np.full(shape, np.nan if name in LEVELS else UNKNOWN_CODE, _TYPES[name])


def encode(block: Block) -> bytes:
    """The block as bytes for the store."""
    head = msgspec.json.encode(
        {"channels": block.channels, "ticks": len(block), "columns": [[n, str(t)] for n, t in _TYPES.items()]}
    )
    parts = [struct.pack("<I", len(head)), head, block.time_us.astype("<i8").tobytes()]
    parts += [_shuffled(block.column(name).astype(kind, copy=False)) for name, kind in _TYPES.items()]
    raw = b"".join(parts)
    rest = struct.pack("<I", len(raw)) + _CODEC.compress(raw, asbytes=True)
    encoded: bytes = _MAGIC + struct.pack("<I", zlib.crc32(rest)) + rest
    return encoded


def _shuffled(column: npt.NDArray[Any]) -> bytes:
    by_channel = np.ascontiguousarray(column.T)
    return by_channel.view(np.uint8).reshape(-1, column.itemsize).T.tobytes()


def decode(payload: bytes) -> Block:
    """The block that `encode` was given. Raises DamagedBlockError if a single bit differs."""
    if payload[:4] != _MAGIC or len(payload) < 12:
        raise DamagedBlockError("the block does not start as one of ours")
    checksum, raw_bytes = struct.unpack_from("<II", payload, 4)
    if zlib.crc32(payload[8:]) != checksum:
        raise DamagedBlockError("the block's checksum does not match")
    if raw_bytes > _MOST_BYTES:
        raise DamagedBlockError(f"the block claims {raw_bytes} bytes")
    try:
        return _read(_CODEC.decompress(payload[12:], raw_bytes, asbytes=True))
    except (OSError, ValueError, KeyError, struct.error, msgspec.MsgspecError) as error:
        raise DamagedBlockError(f"the block cannot be read: {error}") from error


def _read(raw: bytes) -> Block:
    (head_bytes,) = struct.unpack_from("<I", raw)
    head = msgspec.json.decode(raw[4 : 4 + head_bytes])
    ticks, channels = head["ticks"], tuple(head["channels"])
    at = 4 + head_bytes
    time_us = np.frombuffer(raw, "<i8", ticks, at).astype(np.int64)
    at += time_us.nbytes
    columns = {name: _unknown(name, (ticks, len(channels))) for name in _TYPES}
    for name, kind in head["columns"]:
        dtype = np.dtype(kind)
        size = ticks * len(channels) * dtype.itemsize
        planes = np.frombuffer(raw, np.uint8, size, at).reshape(dtype.itemsize, -1)
        at += size
        if name in columns:
            values = np.ascontiguousarray(planes.T).view(dtype).reshape(len(channels), ticks)
            columns[name] = np.ascontiguousarray(values.T)
    return Block(channels, time_us, **columns)
