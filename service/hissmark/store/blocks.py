"""How an hour of a group's ticks is kept: columns over ticks and channels, compressed, with a checksum.

Layout of an encoded block: `HMB2`, CRC-32 of all that follows (4 bytes, little-endian like everything
here), length of the uncompressed rest (4 bytes), then zstd of: length of the head (4 bytes), the head (JSON:
channel names, number of ticks, columns with their types, columns of the group), the times, the columns one
after another, then those of the group. Each column runs channel by channel and has its bytes grouped by
significance, which compresses far better. Names stand in the head, so that changes of the register cannot
shift old columns; a column that an older version did not write is unknown.

What can be computed is not kept twice: of `rise_db` stands there in which bits it differs from `level_db`
less `baseline_db`, mostly none. Blocks that begin with `HMB1` have it in full.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import pyarrow as pa  # type: ignore[import-untyped]

from hissmark.engine.readings import F32, U8

HOUR_US = 3600 * 1_000_000
UNKNOWN_CODE = 255
"""Stands in code columns where a channel has no value at a tick."""

LEVELS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "difference_bar")
CODES = ("verdict", "reason", "open_")
MORE: dict[str, npt.DTypeLike] = {
    "scale_db": "<f4", "health": "u1", "baseline_state": "u1", "steady": "u1", "age_s": "<u2", "role": "u1",
}  # fmt: skip
"""Columns that the first version did not have."""
OF_GROUP: dict[str, npt.DTypeLike] = {
    "margin_db": "<f4", "odds": "<f4", "explanation": "u1", "next_explanation": "u1",
}  # fmt: skip
"""Columns with one value a tick."""
SOURCE, SECOND, NEXT_SOURCE = 1, 2, 4
"""Bits of `role`."""
_TYPES: dict[str, npt.DTypeLike] = {
    **dict.fromkeys(LEVELS, "<f4"), **dict.fromkeys(CODES, "u1"), **MORE,
}  # fmt: skip
_LISTS = {"columns": _TYPES, "of_group": OF_GROUP}
"""How the head names the columns, in the order in which they follow."""
_MAGIC, _IN_FULL = b"HMB2", b"HMB1"
_MOST_BYTES = 1 << 30
_CODEC = pa.Codec("zstd", compression_level=1)


class DamagedBlockError(ValueError):
    """An encoded block is not what was written."""


@dataclass(frozen=True, eq=False, slots=True)
class Block:
    """Ticks of one group. Arrays but `time_us` are [ticks, channels]; NaN or the highest code where unknown.

    Attributes:
        channels: names of the channels, in pipe order.
        time_us: int64[ticks], ascending, no time twice.
        level_db, l50_db, l10_db, baseline_db, rise_db, expected_db, difference_bar: float32, as in `Tick`.
        verdict, reason, open_: uint8, as in `Tick`.
        more: the columns of `MORE`, as in `Tick`; `age_s` (uint16) is how old the newest sample was, `role`
            holds the bits `SOURCE`, `SECOND`, `NEXT_SOURCE`. What is left out is filled in as unknown.
        of_group: the columns of `OF_GROUP`, [ticks], likewise.
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
    more: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)
    of_group: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ticks, channels = len(self.time_us), len(self.channels)
        more = {n: self.more.get(n, unknown(t, (ticks, channels))) for n, t in MORE.items()}
        of_group = {n: self.of_group.get(n, unknown(t, (ticks,))) for n, t in OF_GROUP.items()}
        object.__setattr__(self, "more", more)
        object.__setattr__(self, "of_group", of_group)

    @classmethod
    def of(
        cls,
        channels: tuple[str, ...],
        time_us: npt.NDArray[np.int64],
        columns: Mapping[str, npt.NDArray[Any]],
        of_group: Mapping[str, npt.NDArray[Any]],
    ) -> Block:
        """A block out of columns by name, those of `MORE` among them or not."""
        known = {name: columns[name] for name in LEVELS + CODES}
        return cls(
            channels, time_us, **known, more={n: columns[n] for n in MORE if n in columns}, of_group=of_group
        )

    def __len__(self) -> int:
        return len(self.time_us)

    def column(self, name: str) -> npt.NDArray[Any]:
        """A column by name: one of `LEVELS`, `CODES`, `MORE` or `OF_GROUP`."""
        if name in OF_GROUP:
            return self.of_group[name]
        found: npt.NDArray[Any] = self.more[name] if name in MORE else getattr(self, name)
        return found

    def rows(self, which: slice | npt.NDArray[np.bool_]) -> Block:
        """Some of the ticks."""
        return Block.of(
            self.channels, self.time_us[which], {name: self.column(name)[which] for name in _TYPES},
            {name: column[which] for name, column in self.of_group.items()},
        )  # fmt: skip


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
    merged = {name: unknown(kind, (len(time_us), len(channels))) for name, kind in _TYPES.items()}
    of_group = {name: unknown(kind, (len(time_us),)) for name, kind in OF_GROUP.items()}
    for part in (second, first):
        rows = np.searchsorted(time_us, part.time_us)
        columns = np.array([column_of[c] for c in part.channels], np.int64)
        places = rows if part.channels == channels else np.ix_(rows, columns)
        for name, into in merged.items():
            into[places] = part.column(name)
        for name, into in of_group.items():
            into[rows] = part.column(name)
    return Block.of(channels, time_us, merged, of_group)


def unknown(kind: npt.DTypeLike, shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """A column of which nothing is known: NaN, or the highest value of its type."""
    dtype = np.dtype(kind)
    return np.full(shape, np.nan if dtype.kind == "f" else np.iinfo(dtype).max, dtype)


def encode(block: Block) -> bytes:
    """The block as bytes for the store."""
    listed = {key: [[n, str(t)] for n, t in kinds.items()] for key, kinds in _LISTS.items()}
    head = msgspec.json.encode({"channels": block.channels, "ticks": len(block), **listed})
    parts = [struct.pack("<I", len(head)), head, block.time_us.astype("<i8").tobytes()]
    kept = {n: block.column(n).astype(t, copy=False) for kinds in _LISTS.values() for n, t in kinds.items()}
    kept["rise_db"] = _against_difference(kept["rise_db"], kept["level_db"], kept["baseline_db"])
    parts += [_shuffled(column) for column in kept.values()]
    raw = b"".join(parts)
    rest = struct.pack("<I", len(raw)) + _CODEC.compress(raw, asbytes=True)
    encoded: bytes = _MAGIC + struct.pack("<I", zlib.crc32(rest)) + rest
    return encoded


def _against_difference(rise_db: F32, level_db: F32, baseline_db: F32) -> F32:
    """Rises as the bits in which they differ from the difference, and the other way round."""
    expected = (level_db - baseline_db).astype("<f4")
    expected[np.isnan(expected)] = np.nan  # which of the many NaN a machine makes is its own affair
    found: F32 = (rise_db.astype("<f4").view("<u4") ^ expected.view("<u4")).view("<f4")
    return found


def _shuffled(column: npt.NDArray[Any]) -> bytes:
    by_channel = np.ascontiguousarray(column.T).reshape(-1)
    return by_channel.view(np.uint8).reshape(-1, column.itemsize).T.tobytes()


def decode(payload: bytes) -> Block:
    """The block that `encode` was given. Raises DamagedBlockError if a single bit differs."""
    if payload[:4] not in (_MAGIC, _IN_FULL) or len(payload) < 12:
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
    at = 4 + head_bytes
    time_us = np.frombuffer(raw, "<i8", ticks, at).astype(np.int64)
    at += time_us.nbytes
    found: dict[str, npt.NDArray[Any]] = {}
    for key, width in (("columns", len(channels)), ("of_group", 1)):
        for name, kind in head.get(key, ()):
            dtype = np.dtype(kind)
            size = ticks * width * dtype.itemsize
            found[name] = _unshuffled(np.frombuffer(raw, np.uint8, size, at), dtype, width)
            at += size
    if not in_full and "rise_db" in found:
        found["rise_db"] = _against_difference(found["rise_db"], found["level_db"], found["baseline_db"])
    columns = {n: found[n] if n in found else unknown(t, (ticks, len(channels))) for n, t in _TYPES.items()}
    return Block.of(channels, time_us, columns, {n: found[n][:, 0] for n in OF_GROUP if n in found})


def _unshuffled(planes: npt.NDArray[np.uint8], dtype: np.dtype[Any], width: int) -> npt.NDArray[Any]:
    """[ticks, width] out of bytes that run channel by channel, grouped by significance."""
    together = np.ascontiguousarray(planes.reshape(dtype.itemsize, -1).T)
    ticks = len(together) // width if width else 0
    return np.ascontiguousarray(together.view(dtype).reshape(width, ticks).T)
