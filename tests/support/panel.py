"""Three valves on one panel and nothing happening: a stream whose every sample can be counted."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from support.publish import Sent, json_value, senml_pack
from support.service import Service

CHANNELS = ("AX-1", "AX-2", "AX-3")
START_US = 1_772_323_200_000_000
"""2026-03-01T00:00:00Z."""
SECOND_US = 1_000_000
LEVEL_DB = 21.0

REGISTER: list[dict[str, object]] = [
    {
        "channel": name, "kind": "valve", "valve": name.replace("AX", "XV"), "group": "panel", "position": i,
    }
    for i, name in enumerate(CHANNELS)
]  # fmt: skip

Row = tuple[int, list[tuple[str, float]]]


def rows(count: int, *, start_us: int = START_US, step_s: int = 10, level_db: float = LEVEL_DB) -> list[Row]:
    """Times (us) and the level of every channel at each."""
    noise = np.random.default_rng(3).normal(0.0, 0.4, (count, len(CHANNELS))).round(2).tolist()
    return [
        (
            start_us + i * step_s * SECOND_US,
            [(c, round(level_db + n, 2)) for c, n in zip(CHANNELS, row, strict=True)],
        )
        for i, row in enumerate(noise)
    ]


def packs(found: list[Row]) -> list[Sent]:
    """One SenML pack each time."""
    return [("plant/a/levels", senml_pack([(n, at, v, "dB") for n, v in row])) for at, row in found]


def singles(found: list[Row]) -> Iterator[Sent]:
    """One JSON message each value."""
    for at, row in found:
        for name, value in row:
            yield f"plant/a/json/{name}", json_value(value, at)


def stored_as(found: list[Row]) -> dict[str, tuple[list[int], list[float]]]:
    """What the store must hold of it, in the shape of `Service.samples`."""
    return {name: ([at for at, _ in found], [dict(row)[name] for _, row in found]) for name in CHANNELS}


def assert_stored(service: Service, found: list[Row]) -> None:
    """Wait until all of it is on record, stop, and see that each sample is there once, and as it was sent."""
    service.wait_stored(len(CHANNELS) * len(found))
    assert service.stop() == 0
    assert service.samples() == stored_as(found)
