"""From samples in any order to complete ticks: pending samples, watermarks, ticks that may close.

The result depends only on *which* samples came (those not late), never on how they were batched or, within
the allowed lateness, ordered. The rules:

- The *front* of a group is the latest time heard in it that a second sensor or tag corroborates, so one clock
  that runs ahead does not pull the others into lateness. A sensor that is left alone (its only companion is
  dead) is believed after `patience_s`, in larger groups after `max_ahead_s`.
- A tick closes when every live input has been heard past it (allowing for its usual interval and the
  lateness), or when the front is `patience_s` past it: a laggard delays the group so long and no longer.
- A sample older than the last closed tick of its group is late: stored by the shell, not judged.
- Ticks of one time run together over all groups that are ready; a group that lags is waited for at most
  one lateness, so journals come out in the same order however the stream was cut.
- A group without any sample for `IDLE_S` is idle: its ticks are skipped, not run.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import NOT_JUDGED, Batch, Flag
from hissmark.engine.layout import LEVEL, PROCESS, Layout

I64 = npt.NDArray[np.int64]
US = 1_000_000
IDLE_S = 6 * 3600
NEVER = np.iinfo(np.int64).min // 4


@dataclass(frozen=True, slots=True)
class Portion:
    """The samples of one tick: sorted by input, then time; no duplicates."""

    at_us: int
    groups: npt.NDArray[np.bool_]
    input: npt.NDArray[np.int32]
    time_us: I64
    value: npt.NDArray[np.float64]


class Intake:
    """Holds what has arrived and not been judged, and says which ticks may close.

    State that must survive a restart: `STATE_INPUT` and `STATE_GROUP`.
    Pending samples are not state: they are in the store, at or after `resume_from_us`.
    """

    STATE_INPUT = ("latest", "interval_us", "heard", "judged_us")
    STATE_GROUP = ("first_us", "tick_us", "data_us")

    def __init__(self, layout: Layout) -> None:
        inputs, groups = len(layout.input_series), len(layout.group_names)
        signal = layout.settings.signal
        self.layout = layout
        self.tick_step_us = signal.tick_s * US
        self.late_us = signal.lateness_s * US
        self.patience_us = max(signal.patience_s, signal.lateness_s) * US
        alone_us = max(signal.max_ahead_s * US, self.patience_us)
        self.alone_us: I64 = np.where(layout.count > 2, alone_us, self.patience_us).astype(np.int64)
        self.latest: I64 = np.full(inputs, NEVER, np.int64)
        self.interval_us: I64 = np.zeros(inputs, np.int64)
        self.heard: I64 = np.zeros(inputs, np.int64)
        self.judged_us: I64 = np.full(inputs, NEVER, np.int64)
        self.first_us: I64 = np.full(groups, NEVER, np.int64)
        self.tick_us: I64 = np.full(groups, NEVER, np.int64)
        self.data_us: I64 = np.full(groups, NEVER, np.int64)
        self._seed_intervals()
        self._by_series(len(layout.names))
        self._sort_inputs(groups)
        self._revived: list[tuple[int, int, float]] = []
        self._chunks: list[tuple[npt.NDArray[np.int32], I64, npt.NDArray[np.float64]]] = []

    def _seed_intervals(self) -> None:
        for i, channel in enumerate(self.layout.input_channel):
            wanted = self.layout.channels[channel].interval_s if channel >= 0 else None
            if wanted:
                self.interval_us[i] = int(wanted * US)

    def _by_series(self, names: int) -> None:
        """Index from series to its inputs: one for a level, one per group for a process tag."""
        order = np.argsort(self.layout.input_series, kind="stable")
        self._inputs = order.astype(np.int32)
        count = np.bincount(self.layout.input_series, minlength=names)
        self._input_count = count.astype(np.int32)
        self._input_first = np.concatenate(([0], np.cumsum(count)[:-1])).astype(np.int32)

    def _sort_inputs(self, groups: int) -> None:
        """Order of inputs by group and voice: the inputs of one channel are one voice, a tag is another."""
        layout, inputs = self.layout, np.arange(len(self.layout.input_series))
        level = layout.input_role != PROCESS
        voice = np.where(level, layout.input_channel, len(layout.channels) + inputs)
        self._order = np.lexsort((voice, layout.input_group)).astype(np.int32)
        sorted_groups, voice = layout.input_group[self._order], voice[self._order]
        self._starts = np.searchsorted(sorted_groups, np.arange(groups))
        self._voices = np.flatnonzero(np.diff(voice, prepend=-1))
        self._voice_starts = np.searchsorted(sorted_groups[self._voices], np.arange(groups))
        self._voice_is_level = level[self._order][self._voices]

    @property
    def pending(self) -> int:
        """How many samples wait for their tick."""
        return sum(len(chunk[0]) for chunk in self._chunks)

    @property
    def resume_from_us(self) -> int | None:
        """Samples stored at or after this time must be offered again after a restart; None: no data yet."""
        started = self.first_us > NEVER
        if not started.any():
            return None
        return int(np.where(self.tick_us > NEVER, self.tick_us, self.first_us)[started].min())

    def accept(self, batch: Batch) -> npt.NDArray[np.uint8]:
        """Take samples in; returns their flags, with `Flag.LATE` added where the tick has closed."""
        flags = batch.flags.copy()
        if not len(batch):
            return flags
        series = batch.series
        counts = self._input_count[series]
        rows: npt.NDArray[np.intp] | slice = slice(None)
        if (counts != 1).any():
            rows = np.repeat(np.arange(len(batch)), counts)
            offset = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts)
            inputs = self._inputs[self._input_first[series[rows]] + offset]
        else:
            inputs = self._inputs[self._input_first[series]]
        time_us, value = batch.time_us[rows], batch.value[rows]
        level = self.layout.input_role[inputs] != PROCESS
        judged = (batch.flags[rows] & np.where(level, int(NOT_JUDGED), int(Flag.AHEAD))) == 0
        closed = self.tick_us[self.layout.input_group[inputs]]
        late = judged & (time_us < closed)
        flags[late if isinstance(rows, slice) else rows[late]] |= np.uint8(Flag.LATE)
        # A late process value that is newer than the one known still tells the present state.
        revived = late & ~level & (time_us > self.latest[inputs])
        keep = judged & (~late | revived)
        if keep.all():
            self._keep(inputs, np.maximum(time_us, closed), value, time_us)
        elif keep.any():
            self._keep(inputs[keep], np.maximum(time_us, closed)[keep], value[keep], time_us[keep])
        if revived.any():
            told = (inputs[revived].tolist(), closed[revived].tolist(), value[revived].tolist())
            self._revived += zip(*told, strict=True)
        return flags

    def revived(self) -> list[tuple[int, int, float]]:
        """Late process values that wait for their tick: (input, time they count from, value).

        Unlike other pending samples they lie before `resume_from_us`, so a snapshot has to carry them.
        """
        group = self.layout.input_group
        self._revived = [row for row in self._revived if row[1] >= self.tick_us[group[row[0]]]]
        return self._revived

    def revive(self, rows: list[tuple[int, int, float]]) -> None:
        """Take over what `revived` gave."""
        self._revived = [(int(i), int(t), float(v)) for i, t, v in rows]
        if self._revived:
            inputs, time_us, value = (np.array(column) for column in zip(*self._revived, strict=True))
            self._chunks.append((inputs.astype(np.int32), time_us.astype(np.int64), value.astype(np.float64)))

    def _keep(
        self, inputs: npt.NDArray[np.int32], time_us: I64, value: npt.NDArray[np.float64], heard_us: I64
    ) -> None:
        self._chunks.append((inputs, time_us, value))
        np.maximum.at(self.latest, inputs, heard_us)
        groups = self.layout.input_group[inputs]
        fresh = self.first_us == NEVER
        self.first_us[fresh] = np.iinfo(np.int64).max
        np.minimum.at(self.first_us, groups, time_us)
        self.first_us[self.first_us == np.iinfo(np.int64).max] = NEVER

    def take_pending(self, source: Intake, there: npt.NDArray[np.int32]) -> None:
        """Samples that wait in `source` wait here instead of those of the same inputs.

        Args:
            there: for each input of `source` its number here.
        """
        mine = np.zeros(len(self.latest), bool)
        mine[there[there >= 0]] = True
        kept = [(i[~mine[i]], t[~mine[i]], v[~mine[i]]) for i, t, v in self._chunks]
        self._chunks = [c for c in kept if len(c[0])] + [(there[i], t, v) for i, t, v in source._chunks]
        self._revived = [r for r in self._revived if not mine[r[0]]]
        self._revived += [(int(there[i]), t, v) for i, t, v in source.revived()]

    def watermarks(self) -> I64:
        """int64[groups]: every sample before this time has come or is late; NEVER without data."""
        if not len(self._starts):
            return self.tick_us
        heard = self.heard_mask()
        latest = self.latest
        front = self._front(heard)
        group = self.layout.input_group
        overdue = front[group] - latest - self.interval_us
        holds = heard & self._may_hold() & (overdue <= self.patience_us)
        unheard = self._unheard_channels() & (front[group] - self.first_us[group] <= self.patience_us)
        reach = np.where(holds, latest + self.interval_us - self.late_us, np.iinfo(np.int64).max)
        reach = np.where(unheard, self.first_us[group] - self.late_us, reach)
        low = self._reduce(np.minimum, reach)
        mark = np.minimum(front - self.late_us, np.maximum(low, front - self.patience_us))
        return np.where(self.first_us > NEVER, mark, NEVER)

    def _front(self, heard: npt.NDArray[np.bool_]) -> I64:
        """int64[groups]: latest time heard in each group and corroborated."""
        top = self._reduce(np.maximum, np.where(heard, self.latest, NEVER))
        due = np.where(heard, self.latest + self.interval_us, NEVER)[self._order]
        due = np.maximum.reduceat(due, self._voices)
        level = np.where(self._voice_is_level, due, NEVER)
        backed = np.maximum(_second(due, self._voice_starts), _second(level, self._voice_starts))
        return np.asarray(np.maximum(np.minimum(top, backed), top - self.alone_us), np.int64)

    def heard_mask(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.latest > NEVER, bool)

    def _may_hold(self) -> npt.NDArray[np.bool_]:
        """Levels hold the group back while they lag; process tags only once they prove regular."""
        return np.asarray((self.layout.input_role != PROCESS) | (self.heard >= 8), bool)

    def _unheard_channels(self) -> npt.NDArray[np.bool_]:
        """Level inputs of channels that have not been heard under any of their names."""
        channel = self.layout.input_channel
        heard = np.zeros(len(self.layout.channels) + 1, bool)
        heard[channel[self.heard_mask()]] = True
        return np.asarray((self.layout.input_role == LEVEL) & ~heard[channel], bool)

    def _reduce(self, how: np.ufunc, values: I64) -> I64:
        return np.asarray(how.reduceat(values[self._order], self._starts), np.int64)

    def portions(self) -> Iterator[Portion]:
        """Every tick that may close now, in order of time; exhaust it before accepting more.

        A generator, so that `judged_us` and `interval_us` are those of the tick in hand.
        """
        marks = self.watermarks()
        following = self._next_ticks(marks)
        if not (following <= marks).any():
            return
        inputs, time_us, value = self._sorted_pending()
        start = 0
        while True:
            following = self._next_ticks(marks, time_us[start:], inputs[start:])
            ready = following <= marks
            if not ready.any():
                break
            at_us = int(following[ready].min())
            ready &= following == at_us
            if self._must_wait(marks, following, at_us):
                break
            end = start + int(np.searchsorted(time_us[start:], at_us))
            mine = ready[self.layout.input_group[inputs[start:end]]]
            part = slice(start, end)
            portion = portion_of(at_us, ready, inputs[part][mine], time_us[part][mine], value[part][mine])
            if mine.all():
                start = end
            else:
                left = np.concatenate((np.flatnonzero(~mine) + start, np.arange(end, len(inputs))))
                inputs, time_us, value, start = inputs[left], time_us[left], value[left], 0
            self.close(portion)
            yield portion
            marks = self.watermarks()
        self._chunks = [(inputs[start:], time_us[start:], value[start:])] if start < len(inputs) else []

    def _must_wait(self, marks: I64, following: I64, at_us: int) -> bool:
        """Whether a group that lags a little should first catch up, for the order of the journal's sake."""
        live = (marks > NEVER) & (marks.max() - marks <= self.patience_us)
        behind = live & (following <= at_us) & (marks < at_us)
        return bool(behind.any()) and int(marks.max()) < at_us + self.late_us

    def _sorted_pending(self) -> tuple[npt.NDArray[np.int32], I64, npt.NDArray[np.float64]]:
        inputs = np.concatenate([c[0] for c in self._chunks]) if self._chunks else np.empty(0, np.int32)
        time_us = np.concatenate([c[1] for c in self._chunks]) if self._chunks else np.empty(0, np.int64)
        value = np.concatenate([c[2] for c in self._chunks]) if self._chunks else np.empty(0, np.float64)
        if len(time_us) > 1 and not (time_us[1:] >= time_us[:-1]).all():
            order = np.argsort(time_us, kind="stable")
            return inputs[order], time_us[order], value[order]
        return inputs, time_us, value

    def drained(self) -> tuple[npt.NDArray[np.int32], I64, npt.NDArray[np.float64]]:
        """Hand over what waits (inputs, times, values) in order of time; nothing waits afterwards."""
        found = self._sorted_pending()
        self._chunks = []
        return found

    def _next_ticks(
        self, marks: I64, time_us: I64 | None = None, inputs: npt.NDArray[np.int32] | None = None
    ) -> I64:
        """The next tick of each group; idle groups jump to the tick after their next sample."""
        step = self.tick_step_us
        begun = np.where(self.tick_us > NEVER, self.tick_us, (self.first_us // step) * step)
        following = np.where(self.first_us > NEVER, begun + step, np.iinfo(np.int64).max)
        idle = (self.tick_us > NEVER) & (following - self.data_us > IDLE_S * US) & (following <= marks)
        if time_us is None or inputs is None or not idle.any():
            return np.asarray(following, np.int64)
        upcoming = np.full(len(following), np.iinfo(np.int64).max, np.int64)
        if len(inputs):
            mine = idle[self.layout.input_group[inputs]]
            np.minimum.at(upcoming, self.layout.input_group[inputs[mine]], time_us[mine])
        jump = np.where(upcoming < marks, (upcoming // step) * step + step, (marks // step) * step + step)
        return np.asarray(np.where(idle, np.maximum(following, jump), following), np.int64)

    def close(self, portion: Portion) -> None:
        """Record that a tick closed, and learn the intervals of its inputs."""
        self.tick_us[portion.groups] = portion.at_us
        if not len(portion.input):
            return
        starts = np.flatnonzero(np.concatenate(([True], portion.input[1:] != portion.input[:-1])))
        ends = np.concatenate((starts[1:], [len(portion.input)])) - 1
        which, count = portion.input[starts], ends - starts + 1
        last = portion.time_us[ends]
        np.maximum.at(self.data_us, self.layout.input_group[which], last)
        span, steps = last - portion.time_us[starts], count - 1
        gap = np.where(steps > 0, span // np.maximum(steps, 1), 0)
        self._learn_intervals(which, gap, last, count)

    def _learn_intervals(self, which: npt.NDArray[np.int32], gap: I64, last: I64, count: I64) -> None:
        previous = self.judged_us[which]
        since = np.where(previous > NEVER, (last - previous) // count, gap)
        old = self.interval_us[which]
        bounded = np.clip(since, old // 2, old * 2)
        new = np.where(old > 0, old + (bounded - old) // 5, since)
        self.interval_us[which] = np.where(since > 0, new, old)
        self.judged_us[which] = last
        self.heard[which] += count


def _second(due: I64, starts: npt.NDArray[np.int64]) -> I64:
    """Second-largest of each run of `due` (the largest where there is but one heard input)."""
    top = np.maximum.reduceat(due, starts)
    lengths = np.diff(np.concatenate((starts, [len(due)])))
    is_top = due == np.repeat(top, lengths)
    ties = np.add.reduceat(is_top.astype(np.int64), starts)
    rest = np.maximum.reduceat(np.where(is_top, NEVER, due), starts)
    return np.asarray(np.where((ties > 1) | (rest == NEVER), top, rest), np.int64)


def portion_of(
    at_us: int,
    groups: npt.NDArray[np.bool_],
    inputs: npt.NDArray[np.int32],
    time_us: I64,
    value: npt.NDArray[np.float64],
) -> Portion:
    """Sort by input (times are in order already) and drop duplicates: the first that came stays."""
    order = np.argsort(inputs, kind="stable")
    inputs, time_us, value = inputs[order], time_us[order], value[order]
    if len(inputs) > 1:
        fresh = np.concatenate(([True], (inputs[1:] != inputs[:-1]) | (time_us[1:] != time_us[:-1])))
        if not fresh.all():
            inputs, time_us, value = inputs[fresh], time_us[fresh], value[fresh]
    return Portion(at_us, groups, inputs, time_us, value)
