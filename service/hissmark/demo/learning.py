"""The plant's past put on record before the demo goes live, so that baselines are learned when it does."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import numpy as np

from hissmark.daemon.record import changes_of, newest_of_each_group
from hissmark.decode.columns import Batch
from hissmark.demo.plant import Plant
from hissmark.demo.story import S
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.publish.reading import readings_of
from hissmark.site.load import Site
from hissmark.store.open import open_store
from hissmark.store.records import Reading
from hissmark.store.ticked import blocks_of
from hissmark.store.writer import Writer

HISTORY_S = 16 * 3600
STEP_S = 3600

Progress = Callable[[float], bool]
"""Called with the share done (0 to 1); returns False to stop."""


def learn(site: Site, plant: Plant, until_us: int, progress: Progress) -> None:
    """Store and judge the plant's last hours before `until_us`, as the daemon would have done."""
    layout = Layout.of(site.register, site.core)
    engine = Engine(layout)
    index = _index(plant, layout)
    store = open_store(site.store_url, site.folder)
    steps = range(until_us - HISTORY_S * S, until_us, STEP_S * S)
    try:
        with Writer(store, layout.names, now_us=lambda: until_us) as writer:
            for number, from_us in enumerate(steps):
                if not progress(number / len(steps)):
                    return
                samples = plant.samples(from_us, min(from_us + STEP_S * S, until_us))
                _record(writer, engine, _renamed(samples, index))
        progress(1.0)
    finally:
        store.dispose()


def _record(writer: Writer, engine: Engine, batch: Batch) -> None:
    """One step in one transaction: samples, what became of them, and the engine's state."""
    flags = engine.accept(batch)
    ticks = engine.advance()
    with writer.transaction() as tx:
        tx.samples(Batch(batch.series, batch.time_us, batch.value, flags))
        tx.journal([entry for tick in ticks for entry in tick.entries])
        tx.verdict_changes([change for tick in ticks for change in changes_of(tick, engine.layout)])
        tx.ticks(blocks_of(ticks, engine.layout))
        tx.readings([row for tick in newest_of_each_group(ticks) for row in _readings(engine.layout, tick)])
        tx.engine_state(engine.snapshot())


def _readings(layout: Layout, tick: Tick) -> list[Reading]:
    return [
        Reading(reading["group"], tick.at_us, msgspec.json.encode(reading).decode())
        for reading in readings_of(layout, tick)
    ]


def _index(plant: Plant, layout: Layout) -> np.ndarray[tuple[int], np.dtype[np.int32]]:
    """Number of each of the plant's series among the layout's names."""
    known = layout.series_index()
    return np.array([known[name] for name in plant.names], np.int32)


def _renamed(batch: Batch, index: np.ndarray[tuple[int], np.dtype[np.int32]]) -> Batch:
    return Batch(index[batch.series], batch.time_us, batch.value, batch.flags)
