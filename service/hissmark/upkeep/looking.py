"""The commissioning check of groups, from what the store holds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from hissmark.decode.columns import Batch
from hissmark.engine.register import PERCENTILE_SUFFIXES, Channel, Register
from hissmark.store.history import decoded
from hissmark.store.reader import Reader
from hissmark.upkeep.commissioning import (
    LEAST_SAMPLES,
    ChannelCheck,
    Heard,
    Series,
    check_channels,
    level_of,
)
from hissmark.upkeep.spill_pattern import Openings

US = 1_000_000
SPAN_S = 3600.0
"""How far back samples are looked at."""
SPARSE_S = 2 * 86_400.0
"""The same for sensors of which that gives only a few."""
SPILL_DAYS = 30
AHEAD_US = 86_400 * US
"""A wrong clock may lie ahead: samples up to a day from now are looked at."""


def commission(
    reader: Reader, register: Register, groups: Sequence[str], now_us: int, span_s: float = SPAN_S
) -> dict[str, list[ChannelCheck]]:
    """The check of some groups: group -> its channels in pipe order."""
    channels = [c for group in groups for c in register.groups[group]]
    heard = heard_of(reader, channels, now_us, span_s)
    sparse = [c for c in channels if len(level_of(c, heard)) < LEAST_SAMPLES]
    if sparse:  # some report once an hour
        longer = heard_of(reader, sparse, now_us, max(SPARSE_S, span_s))
        heard = replace(heard, series={**heard.series, **longer.series})
    checks = {c.channel: c for c in check_channels(channels, heard)}
    return {group: _with_pattern(reader, register.groups[group], checks, now_us) for group in groups}


def heard_of(reader: Reader, channels: Sequence[Channel], now_us: int, span_s: float) -> Heard:
    """Samples of the channels and of their tags in the last `span_s` seconds."""
    names = list(dict.fromkeys(name for c in channels for name in _names(c)))
    batches = list(reader.raw(names, now_us - int(span_s * US), now_us + AHEAD_US))
    strays = [u.name for u in reader.unknown_names()]
    if not batches:
        return Heard({}, strays, now_us)
    series, time_us, value, flags = Batch.joined(batches).columns
    order = np.argsort(series, kind="stable")
    edges = np.searchsorted(series[order], np.arange(len(names) + 1))
    found = {}
    for i, name in enumerate(names):
        rows = order[edges[i] : edges[i + 1]]
        found[name] = Series(time_us[rows], value[rows], flags[rows])
    return Heard(found, strays, now_us)


def _names(channel: Channel) -> Iterator[str]:
    yield channel.source
    for suffix in PERCENTILE_SUFFIXES:
        yield channel.source + suffix
    if channel.closed_when is not None:
        yield channel.closed_when.tag
    for tag in (channel.upstream_pressure, channel.downstream_pressure):
        if tag:
            yield tag


def _with_pattern(
    reader: Reader, channels: Sequence[Channel], checks: dict[str, ChannelCheck], now_us: int
) -> list[ChannelCheck]:
    stored = reader.blocks(channels[0].group, now_us - SPILL_DAYS * 86_400 * US, now_us)
    pattern = Openings(channels).take(decoded(stored, [])).points()
    return [replace(checks[c.name], points=(*checks[c.name].points, pattern[c.name])) for c in channels]
