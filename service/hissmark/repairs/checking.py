"""The checks of repairs at work: cases made from the record, ticks read from the history, outcomes kept.

A check is folded over the stored ticks of its group, so it gives the same answer live, after a restart, and
whenever it is computed anew. What is remembered here only saves reading the same ticks twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import structlog

from hissmark.engine.register import Channel, Register
from hissmark.engine.repair_check import (
    US,
    Case,
    Hindrance,
    Levels,
    Outcome,
    Progress,
    follow,
    given_up,
    levels_over,
)
from hissmark.engine.settings import CoreSettings, RepairSettings
from hissmark.judge.verdicts import Verdict
from hissmark.publish.reading import distances_m
from hissmark.publish.times import rfc3339
from hissmark.store.blocks import Block
from hissmark.store.history import decoded
from hissmark.store.reader import Reader
from hissmark.store.repair_records import ON_THE_SENSOR, OnRecord, Repair
from hissmark.store.repairs import OutcomeRow, RepairBook

log = structlog.get_logger("hissmark.repairs")

DAY_US = 86_400 * US
LOOK_BACK_DAYS = 30
"""How far before a repair the leak is looked for: work is not always done at once."""
INTERVAL_GRID_S = 600.0
"""A learned interval is rounded up to this, so that it does not change the length of a check by a hair."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a site brings to its checks."""

    register: Register
    core: CoreSettings
    repair: RepairSettings
    interval_s: Callable[[str], float | None]
    """How often a channel was heard lately; None if nobody knows."""


@dataclass(frozen=True, slots=True)
class Check:
    """One repair that is being checked, or was."""

    row: OnRecord[Repair]
    case: Case | None
    before: Levels | None
    progress: Progress
    ended: OutcomeRow | None = None


def is_checked(repair: Repair) -> bool:
    """Work on a sensor proves nothing about the valve: there is no check."""
    return repair.work not in ON_THE_SENSOR


class Checks:
    """All repairs of a site with how far their checks have come. One thread uses it."""

    def __init__(self, known: Callable[[], Known], book: RepairBook, reader: Reader) -> None:
        self._known_now, self._book, self._reader = known, book, reader
        self._known = known()
        self._running: dict[int, Check] = {}

    def look(self) -> list[Check]:
        """Every standing repair that is checked, followed to the newest stored tick; by time of the work."""
        self._known = self._known_now()
        rows = [row for row in self._book.repairs() if row.stands and is_checked(row.what)]
        ended = self._book.outcomes()
        found = []
        for row in rows:
            if row.id in ended:
                self._running.pop(row.id, None)
                found.append(Check(row, None, None, _ended(ended[row.id]), ended[row.id]))
            else:
                self._running[row.id] = self._followed(row, _next_repair_us(row, rows))
                found.append(self._running[row.id])
        return found

    def outcome_of(self, check: Check, now_us: int) -> OutcomeRow | None:
        """The outcome as it goes on record; None while the check runs."""
        progress = check.progress
        if progress.outcome is None or check.case is None:
            return None
        repair = check.row.what
        channel = self._known.register.valves[repair.valve]
        after = None
        if progress.last_us:
            from_us = progress.since_us if progress.outcome is not Outcome.NOT_TESTED else progress.last_us
            blocks = list(self._blocks(channel.group, from_us, progress.last_us + 1))
            after = levels_over(blocks, channel.name, from_us, progress.last_us)
        reason = "" if progress.hindrance is None else str(progress.hindrance)
        payload = self._payload(check, channel, after)
        at_us = progress.last_us or repair.at_us
        return OutcomeRow(check.row.id, at_us, now_us, str(progress.outcome), reason, progress.about, payload)

    def _followed(self, row: OnRecord[Repair], until_us: int | None) -> Check:
        check = self._running.get(row.id) or Check(row, None, None, Progress())
        channel = self._known.register.valves.get(row.what.valve)
        if channel is None:
            return check
        from_us = max(check.progress.last_us, row.what.at_us) + 1
        for block in self._blocks(channel.group, from_us, until_us or (1 << 62)):
            check = self._on(check, channel, _before(block, until_us))
        if check.case is not None and check.progress.outcome is None and until_us is not None:
            ended = given_up(replace(check.progress, last_us=until_us), Hindrance.AGAIN)
            return replace(check, progress=ended)
        return check

    def _on(self, check: Check, channel: Channel, block: Block) -> Check:
        """One block further. What was before the work is looked up once the history has reached past it."""
        at_us = check.row.what.at_us
        if not (block.time_us > at_us).any():
            return check
        if check.case is None:
            before = self._heard_before(channel, at_us)
            check = replace(check, before=before, case=self._case(check.row.what, channel, before))
        assert check.case is not None  # noqa: S101 - just made
        return replace(check, progress=follow(check.case, check.progress, block))

    def _case(self, repair: Repair, channel: Channel, before: Levels | None) -> Case:
        core = self._known.core
        every_s = channel.interval_s
        if every_s is None:
            told_s = self._known.interval_s(channel.name) or 0.0
            every_s = (
                -(-told_s // INTERVAL_GRID_S) * INTERVAL_GRID_S if told_s > core.signal.window_s else 0.0
            )
        window_s = max(float(core.signal.window_s), core.signal.sparse_samples * every_s)
        gap_s = max(float(core.signal.stale_s), 3.0 * core.signal.tick_s, 3.0 * every_s)
        members = self._known.register.groups[channel.group]
        return Case(
            repair.at_us, channel.name, {c.name: c.valve for c in members if c.valve is not None},
            int(window_s * US), int(gap_s * US), before.difference_bar if before else None,
            self._known.repair,
        )  # fmt: skip

    def _heard_before(self, channel: Channel, at_us: int) -> Levels | None:
        """The group when the leak was last heard before the work; else its last hold time before it."""
        hold_us = self._known.repair.hold_s * US
        last_us = None
        for day in range(LOOK_BACK_DAYS):
            to_us = at_us - day * DAY_US
            blocks = list(self._blocks(channel.group, to_us - DAY_US, to_us))
            times = [_passing_us(block, channel.name, at_us) for block in blocks]
            heard = [us for us in times if us is not None]
            if heard:
                last_us = max(heard)
                break
        to_us = at_us - 1 if last_us is None else last_us
        blocks = list(self._blocks(channel.group, to_us - hold_us, to_us + 1))
        return levels_over(blocks, channel.name, to_us - hold_us, to_us)

    def _blocks(self, group: str, from_us: int, to_us: int) -> Iterator[Block]:
        return decoded(self._reader.blocks(group, from_us, to_us), [])

    def _payload(self, check: Check, channel: Channel, after: Levels | None) -> dict[str, Any]:
        assert check.case is not None  # noqa: S101 - callers have seen to it
        members = self._known.register.groups[channel.group]
        settings = self._known.repair
        progress = check.progress
        return {
            "group": channel.group,
            "hold_s": check.case.hold_us // US,
            "held_from": rfc3339(progress.since_us) if progress.sign is not None else None,
            "held_to": rfc3339(progress.last_us) if progress.sign is not None else None,
            "near_db": settings.near_db,
            "pressure_share": settings.pressure_share,
            "before": _levels_json(check.before, members),
            "after": _levels_json(after, members),
        }


def _next_repair_us(row: OnRecord[Repair], rows: list[OnRecord[Repair]]) -> int | None:
    """When the same valve was repaired again."""
    later = [r.what.at_us for r in rows if r.what.valve == row.what.valve and r.what.at_us > row.what.at_us]
    return min(later, default=None)


def _before(block: Block, until_us: int | None) -> Block:
    return block if until_us is None else block.rows(slice(0, int((block.time_us < until_us).sum())))


def _passing_us(block: Block, channel: str, before_us: int) -> int | None:
    """The last tick of a block, before a moment, at which a channel's valve was called passing."""
    if channel not in block.channels:
        return None
    own = block.verdict[:, block.channels.index(channel)]
    rows = (own == Verdict.PASSING) & (block.time_us < before_us)
    return int(block.time_us[rows][-1]) if rows.any() else None


def _ended(row: OutcomeRow) -> Progress:
    """What is on record of a check that has ended, as its progress."""
    outcome = Outcome(row.outcome)
    hindrance = Hindrance(row.reason) if row.reason else None
    sign = None if outcome is Outcome.NOT_TESTED else outcome
    return Progress(sign, row.at_us, row.at_us, hindrance, row.about, (), outcome)


_COLUMNS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "verdict", "reason")


def _levels_json(levels: Levels | None, members: tuple[Channel, ...]) -> dict[str, Any] | None:
    """Levels as they go on record, with what a picture needs, so that it is the same whatever comes later."""
    if levels is None:
        return None
    known = {c.name: (c, m) for c, m in zip(members, distances_m(members), strict=True)}
    rows = []
    for i, name in enumerate(levels.channels):
        channel, distance_m = known.get(name, (None, None))
        rows.append(
            {
                "channel": name,
                "valve": channel.valve if channel else None,
                "kind": channel.kind if channel else "valve",
                "distance_m": distance_m,
                **{column: getattr(levels, column)[i] for column in _COLUMNS},
            }
        )
    return {
        "from": rfc3339(levels.from_us), "to": rfc3339(levels.to_us),
        "difference_bar": levels.difference_bar, "channels": rows,
    }  # fmt: skip
