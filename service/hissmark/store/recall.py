"""The engine as it was, from what is stored: the last saved state, and what one group has heard since.

A copy is restored and fed; the running service is not touched. A moment before the saved state cannot be
restored: of it the history keeps levels, backgrounds and verdicts.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from hissmark.decode.columns import NOT_JUDGED, Batch, Flag
from hissmark.engine.change import ChangeRefusedError
from hissmark.engine.engine import Engine
from hissmark.engine.intake import US
from hissmark.engine.layout import PROCESS, Layout
from hissmark.engine.snapshot import SnapshotError
from hissmark.engine.story import Recorded, tell, tell_recorded
from hissmark.engine.telling import Story
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store.blocks import UNKNOWN_CODE
from hissmark.store.errors import StoreError
from hissmark.store.reader import Reader
from hissmark.store.records import ChangeRow


class Basis(StrEnum):
    """What a story was made from."""

    LIVE = "live"
    STATE = "saved state"
    HISTORY = "history"


@dataclass(frozen=True, slots=True)
class Told:
    """A story, what it was made from, and when the state used was saved (None: it is that of this moment)."""

    story: Story
    basis: Basis
    saved_us: int | None


def story_at(layout: Layout, reader: Reader, channel: int, at_us: int | None) -> Told | None:
    """The story of a channel at a moment (None: now). None where nothing is on record."""
    group = int(layout.group_of[channel])
    restored = restored_engine(layout, reader)
    if restored is None:
        return None
    engine, saved_us = restored
    if at_us is None or int(engine.intake.tick_us[group]) <= at_us:
        catch_up(engine, reader, group, at_us)
    if at_us is not None and int(engine.intake.tick_us[group]) > at_us:
        recorded = _recorded(layout, reader, group, at_us)
        if recorded is None:
            return None
        return Told(tell_recorded(engine, channel, recorded), Basis.HISTORY, saved_us)
    story = tell(engine, channel)
    return None if story is None else Told(story, Basis.STATE, saved_us)


def restored_engine(layout: Layout, reader: Reader) -> tuple[Engine, int] | None:
    """A copy of the engine as last saved, and when that was; None before the first time."""
    saved = reader.engine_state()
    if saved is None:
        return None
    engine = Engine(layout)
    try:
        engine.restore(saved.payload)
    except SnapshotError as error:
        raise StoreError(f"The story cannot be told: {error}.") from None
    hand_over(engine, reader)
    return engine, saved.saved_us


def hand_over(engine: Engine, reader: Reader) -> list[ChangeRow]:
    """Give an engine every change on record that it does not contain yet; each waits in it for its time.

    Returns those that mean nothing any more (their valve or group has left the register).
    """
    lost = []
    for row in reader.changes_after(engine.change_id):
        if row.applied_after_us is None:
            continue
        try:
            engine.change(row.change)
        except ChangeRefusedError:
            lost.append(row)
    return lost


def catch_up(engine: Engine, reader: Reader, group: int, until_us: int | None = None) -> None:
    """Feed what one group has heard since; stops at the group's last tick up to `until_us`."""
    layout, start_us = engine.layout, engine.resume_from_us
    if start_us is None:
        return
    index = np.unique(layout.input_series[layout.input_group == group])
    names = [layout.names[i] for i in index.tolist()]
    tick_us = layout.settings.signal.tick_s * US

    def reached(at_us: int) -> bool:
        return until_us is not None and at_us + tick_us > until_us

    if reached(int(engine.intake.tick_us[group])):
        return
    for batch in reader.samples_after(names, start_us):
        known = Batch(index[batch.series].astype(np.int32), batch.time_us, batch.value, batch.flags)
        engine.accept(judged_once(known, layout))
        for tick in engine.ticks():
            if reached(tick.at_us):
                return


def judged_once(batch: Batch, layout: Layout) -> Batch:
    """Leave out what was not judged when it came (late process values tell the state of the plant)."""
    is_level = np.zeros(len(layout.names), bool)
    is_level[layout.input_series[layout.input_role != PROCESS]] = True
    bar = np.where(is_level[batch.series], int(NOT_JUDGED), int(Flag.AHEAD))
    keep = (batch.flags & bar) == 0
    if keep.all():
        return Batch(batch.series, batch.time_us, batch.value, np.zeros_like(batch.flags))
    return Batch(batch.series[keep], batch.time_us[keep], batch.value[keep], batch.flags[keep] & 0)


def _recorded(layout: Layout, reader: Reader, group: int, at_us: int) -> Recorded | None:
    """The group's last tick up to a moment, not more than an hour before it."""
    name = layout.group_names[group]
    block = reader.last_ticks([name], at_us).get(name)
    if block is None:
        return None
    first, count = int(layout.first[group]), int(layout.count[group])
    names = [c.name for c in layout.channels[first : first + count]]

    def column(of: str, missing: float) -> Any:
        found = dict(zip(block.channels, block.column(of)[0], strict=True))
        return np.array([found.get(n, missing) for n in names], block.column(of).dtype)

    verdict = column("verdict", Verdict.NOT_TESTABLE)
    reason = column("reason", Reason.NO_FRESH_DATA)
    unknown = ~np.isin(verdict, list(Verdict)) | ~np.isin(reason, list(Reason))
    verdict[unknown], reason[unknown] = Verdict.NOT_TESTABLE, Reason.NO_FRESH_DATA
    return Recorded(
        int(block.time_us[0]), column("level_db", np.nan), column("baseline_db", np.nan),
        column("scale_db", np.nan), verdict, reason, column("health", UNKNOWN_CODE),
        column("baseline_state", UNKNOWN_CODE), column("difference_bar", np.nan),
        column("l10_db", np.nan),
    )  # fmt: skip
