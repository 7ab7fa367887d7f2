"""One group under several settings at once, sharing whatever the settings do not touch.

Levels, backgrounds and evidence of a group do not depend on where the limits are put; only what is decided
from them does. So a *lane* hears and learns once for all variants that it carries, and every variant has a
copy of the deciding part. What was decided feeds back in few places: it keeps a group under watch, and it
keeps backgrounds from following. Where variants of a lane would learn differently the lane is split. So every
variant gets exactly what a replay of its own would give; that is tested, not hoped.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import ActionRefusedError, AlarmBank
from hissmark.alarms.journal import JournalEntry
from hissmark.engine.change import Change, ChangeKind, Level
from hissmark.engine.changes import Changes
from hissmark.engine.copies import SEPARATOR, copied, copy_state, equal, same_state
from hissmark.engine.intake import NEVER, Portion
from hissmark.engine.learning import calm_groups, strange_groups
from hissmark.engine.rerun import LONGEST_PAUSE, WORTHWHILE, Rerun
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.stretch_learning import Standing
from hissmark.engine.tuned import NAMES
from hissmark.judge.verdict import NONE
from hissmark.judge.verdicts import Explanation

Array = npt.NDArray[Any]
Ints = npt.NDArray[np.intp]

DECIDING = frozenset(
    {
        "rise_limit_db", "margin_db", "odds_limit", "on_delay_s", "off_delay_s", "deadband_db",
        "fault_delay_s", "contested_delay_s", "clear_db", "severe_db",
    }
)  # fmt: skip
"""Settings that only `Stepper.decide` looks at. Variants that differ in others hear and learn apart."""
HEARING = tuple(name for name in NAMES if name not in DECIDING)
MOST_SENSITIVE = ("rise_limit_db", "margin_db", "odds_limit")
"""The lower, the more passes: what is quiet under the lowest of each is quiet under all variants."""
WATCHED_BY = ("active",)
"""Of the alarms, what hearing and learning look at."""
BY_CHANNEL = ("expected", "leads", "ratio")
"""Of `Groups`, what runs over channels."""
UNDER_DOUBT = (Explanation.UNEXPLAINED, Explanation.ONE_PASSING, Explanation.TWO_PASSING)


@dataclass(frozen=True, slots=True)
class Setting:
    """Values at one level; `subject` as in a `Change`."""

    level: Level
    subject: str
    values: Mapping[str, float]


Variant = tuple[Setting, ...]
"""What is different from the settings in force; empty for none."""


@dataclass
class Lane:
    """A state that hears and learns for some variants (their numbers, ascending)."""

    stepper: Stepper
    variants: Ints
    standing: Standing | None
    seen: Seen | None = None


class Gathered(NamedTuple):
    """Where each variant's copy finds its lane: rows of channels and of groups, lanes side by side."""

    channels: Ints
    groups: Ints


@dataclass
class Pace:
    """When to try a stretch again after one that came to nothing."""

    pause: int = 0
    following: int = 1

    def waits(self) -> bool:
        """Whether the next tick is one of the pause."""
        self.pause -= 1
        return self.pause >= 0

    def result(self, complete: bool) -> None:
        """Wait longer each time a stretch breaks off."""
        self.pause = 0 if complete else self.following
        self.following = 1 if complete else min(2 * self.following, LONGEST_PAUSE)


@dataclass
class Trials:
    """Variants of the settings from where `rerun` has come on. `rerun` is used up."""

    rerun: Rerun
    variants: Sequence[Variant]
    singly: int = 0
    judged: int = 0
    most_lanes: int = 1
    _pace: Pace = field(default_factory=Pace)

    def __post_init__(self) -> None:
        before, count = self.rerun, len(self.variants)
        self.layout, self.ticks = before.layout, before.ticks
        self._stretch, self._actions = before.stretch, before.actions
        self._changes: Changes = before.changes
        self._base = {level: array.copy() for level, array in before.stepper.tuned.overrides.items()}
        self.points = Stepper(copied(self.layout, count))
        _spread_decided(before.stepper, self.points)
        self.lanes = [Lane(before.stepper, np.arange(count), before.standing)]
        self._spare: list[Stepper] = []
        self._retune_points()
        self._part_by_settings()
        self._index()

    # --- settings ---

    def _retune_points(self) -> None:
        """Every variant's settings: those in force, and its own on top."""
        tuned, count = self.points.tuned, len(self.variants)
        for level, array in tuned.overrides.items():
            array[...] = np.concatenate([self._base[level]] * count)
        channels, index = len(self.layout.channels), self._rows_by_subject()
        for v, variant in enumerate(self.variants):
            for setting in variant:
                row = v if setting.level is not Level.VALVE else v * channels + index[setting.subject]
                for name, value in setting.values.items():
                    tuned.overrides[setting.level][row, NAMES.index(name)] = value
        tuned.resolve()
        self.points.retune()

    def _rows_by_subject(self) -> dict[str, int]:
        channels = enumerate(self.layout.channels)
        return {name: i for i, c in channels for name in (c.name, c.subject)}

    def _part_by_settings(self) -> None:
        """A lane for each set of values that hearing or learning depends on."""
        tuned, channels = self.points.tuned, len(self.layout.channels)
        values = np.stack([getattr(tuned, name).reshape(-1, channels) for name in HEARING], axis=1)
        for lane in list(self.lanes):
            self._part(lane, values[lane.variants])
        for lane in self.lanes:
            self._retune_lane(lane)

    def _retune_lane(self, lane: Lane) -> None:
        """The lane hears as its variants do; where it decides for a stretch, as the most sensitive of all."""
        tuned, theirs, channels = lane.stepper.tuned, self.points.tuned, len(self.layout.channels)
        first = int(lane.variants[0])
        for level, array in theirs.overrides.items():
            each = len(array) // len(self.variants)
            tuned.overrides[level][...] = array[first * each : (first + 1) * each]
        for name in MOST_SENSITIVE:
            lowest = getattr(theirs, name).reshape(-1, channels).min(axis=0)
            tuned.overrides[Level.VALVE][:, NAMES.index(name)] = lowest
        tuned.resolve()
        lane.stepper.retune()

    def _bring(self, at_us: int) -> None:
        """Recorded changes whose time has come."""
        due = [change for change, _ in self._changes.waiting if at_us > change.effective_us]
        if not due:
            return
        everyone = np.ones(1, bool)
        rest = [row for row in self._changes.waiting if row[0] not in due]
        for lane in self.lanes:
            changes = Changes(lane.stepper)
            changes.waiting = [(change, {0}) for change in due]
            changes.bring(at_us, everyone)
        self._changes.waiting = rest
        for change in due:
            self._note_settings(change)
        if any(change.kind is ChangeKind.SETTINGS for change in due):
            self._retune_points()
            self._part_by_settings()

    def _note_settings(self, change: Change) -> None:
        if change.kind is not ChangeKind.SETTINGS:
            return
        level = Level(change.payload["level"])
        row = self._rows_by_subject()[change.subject] if level is Level.VALVE else 0
        for name, value in change.payload["values"].items():
            if name in NAMES:
                self._base[level][row, NAMES.index(name)] = np.nan if value is None else value

    # --- lanes ---

    def _index(self) -> None:
        """Where each variant finds its lane."""
        lane_of = np.zeros(len(self.variants), np.intp)
        for number, lane in enumerate(self.lanes):
            lane_of[lane.variants] = number
        channels = len(self.layout.channels)
        rows = lane_of[:, None] * channels + np.arange(channels)
        self._rows = Gathered(rows.reshape(-1), lane_of)
        self.most_lanes = max(self.most_lanes, len(self.lanes))

    def _part(self, lane: Lane, marks: Array, source: Stepper | None = None) -> list[Lane]:
        """Split a lane so that all variants of one have the same `marks` ([variants of the lane, ...]).

        Args:
            source: the state that new lanes begin with (default: the lane's own).
        Returns the new lanes; the lane keeps those that are like its first.
        """
        plain = np.ascontiguousarray(marks.reshape(len(marks), -1))
        kinds = [row.tobytes() for row in plain]
        own, added = lane.variants, []
        for kind in dict.fromkeys(kinds):
            mine = own[[k == kind for k in kinds]]
            if kind == kinds[0]:
                lane.variants = mine
                continue
            stepper = self._spare.pop() if self._spare else Stepper(self.layout)
            copy_state(source or lane.stepper, stepper)
            added.append(Lane(stepper, mine, lane.standing, lane.seen))
        self.lanes += added
        if added:
            self._index()
        return added

    def _join(self) -> None:
        """Lanes that have come to the same state are one again."""
        kept: list[Lane] = []
        for lane in self.lanes:
            like = next((k for k in kept if _alike(k, lane)), None)
            if like is None:
                kept.append(lane)
            else:
                like.variants = np.sort(np.concatenate((like.variants, lane.variants)))
                self._spare.append(lane.stepper)
        if len(kept) < len(self.lanes):
            self.lanes = kept
            self._index()

    def _stands(self, lane: Lane, names: Sequence[str] = AlarmBank.STATE) -> None:
        """The lane's own deciding part is that of its first variant."""
        channels, first = len(self.layout.channels), int(lane.variants[0])
        mine = slice(first * channels, (first + 1) * channels)
        lane.stepper.passing[...] = self.points.passing[mine]
        for name in names:
            getattr(lane.stepper.alarms, name)[...] = getattr(self.points.alarms, name)[:, mine]

    # --- ticks ---

    def offer(self, batch: Any) -> None:
        """Take samples, see `StoredTicks.offer`."""
        self.ticks.offer(batch)

    def advance(self, before_us: int) -> Iterator[tuple[int, JournalEntry]]:
        """Judge every tick up to `before_us`; yields (variant, entry), each variant's in its order."""
        yield from self._act()
        while (at_us := self.ticks.next_tick(before_us)) is not None:
            if not self._stretched(at_us, before_us):
                yield from self._tick(at_us)
            yield from self._act()

    def _tick(self, at_us: int) -> Iterator[tuple[int, JournalEntry]]:
        portion = self.ticks.portion(at_us)
        self._bring(at_us)
        for lane in list(self.lanes):
            self._examine(lane, portion)
        gathered = self._gather(at_us)
        entries = self.points.decide(gathered).entries
        self._learn(gathered, at_us)
        self.judged += 1
        self.singly += 1
        return map(self._named, entries)

    def _named(self, entry: JournalEntry) -> tuple[int, JournalEntry]:
        group, _, variant = entry.group.rpartition(SEPARATOR)
        return int(variant), replace(entry, group=group)

    def _examine(self, lane: Lane, portion: Portion) -> None:
        """Hear one tick. A standing alarm keeps the group under watch even if nothing stirs."""
        channels = len(self.layout.channels)
        watched = (self.points.passing | self.points.alarms.active[0]).reshape(-1, channels)
        watched = watched[lane.variants]
        self._stands(lane, WATCHED_BY)
        if (watched == watched[0]).all():
            self._hear(lane, portion)
            return
        before = self._spare.pop() if self._spare else Stepper(self.layout)
        copy_state(lane.stepper, before)
        lane.stepper.passing[...] = False
        lane.stepper.alarms.active[0] = False
        self._hear(lane, portion)
        if lane.seen is None or not lane.seen.groups.stirred[0]:
            some = watched.any(axis=1)
            order = np.argsort(some, kind="stable")
            lane.variants = lane.variants[order]  # the first is one that watches nothing, if there is any
            for new in self._part(lane, some[order][:, None], before):
                new.variants = np.sort(new.variants)
                self._stands(new, WATCHED_BY)
                self._hear(new, portion)
            lane.variants = np.sort(lane.variants)
            if some.all():
                copy_state(before, lane.stepper)
                self._stands(lane, WATCHED_BY)
                self._hear(lane, portion)
        self._spare.append(before)

    def _hear(self, lane: Lane, portion: Portion) -> None:
        lane.seen = lane.stepper.examine(portion, self.ticks.intake)
        lane.standing = Standing.of(lane.seen)

    def _gather(self, at_us: int) -> Seen:
        """What every variant's copy has seen, and what it decides by."""
        points, rows = self.points, self._rows
        seen = [lane.seen for lane in self.lanes if lane.seen is not None]
        steppers = [lane.stepper for lane in self.lanes]
        points.evidence = np.concatenate([s.evidence for s in steppers])[rows.channels]
        points.lead_s = np.concatenate([s.lead_s for s in steppers])[rows.channels]
        points.health.code = np.concatenate([s.health.code for s in steppers])[rows.channels]
        sd = np.concatenate([s.acoustics.coupling_sd_db for s in steppers])
        points.acoustics.coupling_sd_db = sd[rows.groups]
        if self.layout.suppress:
            values = np.stack([s.process.value for s in steppers])
            points.process.value = values[rows.groups].reshape(-1)
        everyone = np.ones(len(rows.groups), bool)
        nothing = np.empty(0, np.int64)
        portion = Portion(at_us, everyone, nothing.astype(np.int32), nothing, nothing.astype(np.float64))
        return _taken_together(seen, rows, portion, np.ones(len(rows.channels), bool))

    def _learn(self, gathered: Seen, at_us: int) -> None:
        """Learn as each variant would; lanes whose variants would learn differently part."""
        opened = any((lane.stepper.open_us > 0).any() for lane in self.lanes)
        stride = at_us % self.lanes[0].stepper.baselines.stride_us == 0
        if not (opened or stride):
            return
        points, channels = self.points, len(self.layout.channels)
        calm = calm_groups(points, gathered.groups, gathered.on)
        marks = np.stack(
            (calm, strange_groups(points, gathered.groups), points.passing.reshape(-1, channels).any(axis=1)),
            axis=1,
        )
        for lane in list(self.lanes):
            self._part(lane, marks[lane.variants])
        for lane in self.lanes:
            self._stands(lane, WATCHED_BY)
            if lane.seen is not None:
                lane.stepper.learn(lane.seen)
        if len(self.lanes) > 1:
            self._join()

    # --- stretches ---

    def _stretched(self, at_us: int, before_us: int) -> bool:
        """Whether some ticks could be taken at once, for all variants together."""
        if self._pace.waits():
            return False
        many = self._calm_ticks(at_us, before_us)
        if many < WORTHWHILE or not self._stretch.possible or not self._all_at_rest():
            return False
        plan = self._stretch.plan(self.ticks, at_us, many)
        tried, taken = [], plan.many
        for lane in self.lanes:
            if lane.standing is None:
                return False
            self._stands(lane)
            attempt = self._stretch.attempt(lane.stepper, plan, lane.standing)
            tried.append((lane.stepper, attempt))
            taken = min(taken, attempt.taken, self._until_doubt(lane, attempt.seen))
        self._stretch.keep(tried, self.ticks, plan, taken)
        if taken:
            for lane, (_, attempt) in zip(self.lanes, tried, strict=True):
                lane.standing = Standing.of(attempt.seen, taken - 1)
        self.judged += taken
        self._pace.result(taken == plan.many)
        return taken > 0

    def _calm_ticks(self, at_us: int, before_us: int) -> int:
        step, last_us = self.ticks.step_us, before_us
        for change, _ in self._changes.waiting:
            last_us = min(last_us, change.effective_us)
        if self._actions:
            last_us = min(last_us, self._actions[0][0])
        return (last_us - at_us) // step + 1 if last_us >= at_us else 0

    def _all_at_rest(self) -> bool:
        """No variant has a leak or a doubt standing, and nothing of their alarms would move by itself.

        Whether an alarm that is over was acknowledged differs between variants, and moves nothing.
        """
        alarms, channels = self.points.alarms, len(self.layout.channels)
        if self.points.passing.any() or alarms.active[:2].any():
            return False
        for name in ("active", "stood_s", "until_us", "held_by"):
            array = getattr(alarms, name).reshape(len(alarms.state), -1, channels)
            if (array != array[:, :1]).any():
                return False
        return True

    def _until_doubt(self, lane: Lane, seen: Seen) -> int:
        """The first tick at which some variant might call a valve contested or wait for evidence."""
        of = np.repeat(np.arange(len(seen.groups.mode)), len(self.layout.channels))
        limit = np.tile(lane.stepper.tuned.rise_limit_db, len(seen.groups.mode))
        with np.errstate(invalid="ignore"):
            above = (seen.rise >= limit) & (seen.blocked == NONE)
        doubt = above & np.isin(seen.groups.explanation, UNDER_DOUBT)[of]
        by_tick = doubt.reshape(len(seen.groups.mode), -1).any(axis=1)
        return int(by_tick.argmax()) if by_tick.any() else len(by_tick)

    # --- operators ---

    def _act(self) -> Iterator[tuple[int, JournalEntry]]:
        """Actions whose time has come, for every variant in which they mean something."""
        tick_us = int(self.ticks.intake.tick_us[0])
        channels = len(self.layout.channels)
        while self._actions and max(tick_us, 0) >= self._actions[0][0]:
            _, action = self._actions.pop(0)
            for v in range(len(self.variants)):
                subjects = enumerate(self.layout.channels, v * channels)
                self.points.alarms.index = {c.subject: i for i, c in subjects}
                try:
                    entries = self.points.alarms.act(action, tick_us if tick_us > NEVER else 0)
                except ActionRefusedError:
                    continue
                yield from map(self._named, entries)


def _spread_decided(source: Stepper, points: Stepper) -> None:
    """Every variant begins with what has been decided so far."""
    channels = len(source.passing)
    copies = len(points.passing) // channels
    points.passing[...] = np.tile(source.passing, copies)
    for name in AlarmBank.STATE:
        getattr(points.alarms, name)[...] = np.tile(getattr(source.alarms, name), copies)
    for (kind, channel), entry in source.alarms.last.items():
        for v in range(copies):
            named = replace(entry, group=f"{entry.group}{SEPARATOR}{v}")
            points.alarms.last[kind, v * channels + channel] = named


def _alike(one: Lane, other: Lane) -> bool:
    """Whether two lanes would go on in the same way: same state, same settings (decided things aside)."""
    a, b = one.stepper, other.stepper
    if any(not equal(getattr(a.tuned, name), getattr(b.tuned, name)) for name in HEARING):
        return False
    return same_state(a, b, frozenset({"alarms", "step.passing", "step.said"}))


def _taken_together(seen: Sequence[Seen], rows: Gathered, portion: Portion, on: Array) -> Seen:
    """What several lanes have seen, laid out for the variants."""

    def lay(name: str) -> Any:
        return np.concatenate([getattr(s, name) for s in seen])[rows.channels]

    return Seen(
        portion, on, seen[0].conditions, _joined([s.signal for s in seen], rows.channels), lay("blocked"),
        _joined([s.groups for s in seen], rows.groups, rows.channels, BY_CHANNEL),
        lay("baseline"), lay("scale"), lay("rise"), lay("margin"),
    )  # fmt: skip


def _joined(parts: Sequence[Any], rows: Ints, special: Ints | None = None, names: Sequence[str] = ()) -> Any:
    """Named tuples of arrays side by side, and of them `rows` (for `names` those in `special`)."""
    fields = {}
    for name in parts[0]._fields:
        values = [getattr(part, name) for part in parts]
        if isinstance(values[0], tuple):
            fields[name] = _joined(values, rows)
        else:
            fields[name] = np.concatenate(values)[special if name in names else rows]
    return parts[0]._replace(**fields)
