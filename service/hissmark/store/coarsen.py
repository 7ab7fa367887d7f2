"""Ticks summed up over hours and days, so that years of them open at once.

A coarse block is an ordinary block with two rows for each hour (or day): the first holds the lowest level
and rise of every channel, the second the highest. Everything else is the mean, but the verdict and its
reason, which are the worst, and the position, which is open if it ever was. So a chart that draws both rows
draws what an eye must not miss, and whatever reads ticks reads these too.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.judge.verdicts import Verdict
from hissmark.store.blocks import CODES, LEVELS, Block

US = 1_000_000
HOUR_S, DAY_S = 3600, 86_400
SPAN_S = {HOUR_S: 10 * DAY_S, DAY_S: 100 * DAY_S}
"""How much one coarse block holds, for each length of its periods."""

_EXTREMES = ("level_db", "rise_db")
_SEVERITY = (
    Verdict.QUIET, Verdict.NOT_TESTABLE, Verdict.UNSETTLED, Verdict.OUTSIDE_NOISE, Verdict.SPILL,
    Verdict.CONTESTED, Verdict.PASSING,
)  # fmt: skip
"""From the one that asks for least to the one that asks for most."""
_RANK = np.full(256, -1, np.int8)
_RANK[list(_SEVERITY)] = np.arange(len(_SEVERITY))
_OPEN_RANK = np.full(256, -1, np.int8)
_OPEN_RANK[[0, 2, 1]] = (0, 1, 2)  # closed, not known, open


def summed_up(block: Block, every_s: int) -> Block:
    """Two rows for each period of `every_s` seconds in which the block (of ticks, or coarse) has rows."""
    every_us = every_s * US
    period = block.time_us // every_us
    starts = np.flatnonzero(np.diff(period, prepend=period[:1] - 1))
    parts = np.split(np.arange(len(block)), starts[1:]) if len(block) else []
    columns = {name: [_level(block, name, rows) for rows in parts] for name in LEVELS}
    for name in CODES:
        columns[name] = []
    for rows in parts:
        verdict, reason = _worst(block, rows)
        columns["verdict"].append(np.stack([verdict, verdict]))
        columns["reason"].append(np.stack([reason, reason]))
        opened = _most(block.open_[rows], _OPEN_RANK)
        columns["open_"].append(np.stack([opened, opened]))
    times = [period[rows[0]] * every_us + every_us // 4 * np.array([1, 3]) for rows in parts]
    return Block.of(
        block.channels, _joined(times, (0,), np.int64), _stacked(columns, len(block.channels)), {}
    )


def _stacked(columns: dict[str, list[Any]], channels: int) -> dict[str, npt.NDArray[Any]]:
    kinds = {**dict.fromkeys(LEVELS, np.float32), **dict.fromkeys(CODES, np.uint8)}
    return {name: _joined(parts, (0, channels), kinds[name]) for name, parts in columns.items()}


def _joined(parts: list[Any], empty: tuple[int, ...], kind: Any) -> npt.NDArray[Any]:
    return np.concatenate(parts).astype(kind, copy=False) if parts else np.empty(empty, kind)


def _level(block: Block, name: str, rows: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """float32[2, channels]: lowest and highest, or twice the mean; NaN where nothing is known."""
    values = block.column(name)[rows]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a channel of which nothing is known
        if name in _EXTREMES:
            return np.stack([np.nanmin(values, axis=0), np.nanmax(values, axis=0)])
        mean = np.nanmean(values, axis=0)
        high = np.nanmax(values, axis=0) if name == "l10_db" else mean
    return np.stack([mean, high])


def _worst(block: Block, rows: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """uint8[channels]: the verdict that asked for most, and its reason when it first came."""
    first = _RANK[block.verdict[rows]].argmax(axis=0)
    places = np.arange(len(block.channels))
    return block.verdict[rows][first, places], block.reason[rows][first, places]


def _most(codes: npt.NDArray[np.uint8], rank: npt.NDArray[np.int8]) -> npt.NDArray[np.uint8]:
    found: npt.NDArray[np.uint8] = np.take_along_axis(codes, rank[codes].argmax(axis=0)[None], axis=0)[0]
    return found
