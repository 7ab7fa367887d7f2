"""An engine with hands: feed it samples in seconds of plant time, read what its ticks say.

Quick settings only shorten the learning; everything else is as shipped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.alarms.journal import Action, ActionKind, AlarmKind, JournalEntry
from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Channel, Condition, Register
from hissmark.engine.settings import BaselineSettings, CoreSettings
from hissmark.judge.verdicts import Explanation, Reason, SensorHealth, Verdict

US = 1_000_000
START_US = 1_772_323_200_000_000
"""2026-03-01T00:00:00Z: plant time zero, on a full hour."""

QUICK = CoreSettings(baseline=BaselineSettings(learn_s=3600, learn_windows=5))
LEARNED_S = 5400
"""With `QUICK` every dense channel has its baseline by then."""

PER_CHANNEL = (
    "level_db", "l50_db", "l10_db", "baseline_db", "scale_db", "rise_db", "leak_db", "expected_db", "verdict",
    "reason", "health", "baseline_state", "open_", "difference_bar", "steady", "last_us", "interval_s",
)  # fmt: skip
PER_GROUP = ("explanation", "source", "second", "margin_db", "odds", "next_explanation", "next_source")


def valve(name: str, group: str = "header", position: int = 0, **more: Any) -> Channel:
    """A valve ``XV-name`` with its channel ``AE-name``."""
    if isinstance(more.get("closed_when"), str):
        more["closed_when"] = Condition.parse(more["closed_when"])
    channel = f"AE-{name}"
    return Channel(channel, channel, "valve", group, position, valve=f"XV-{name}", **more)


def reference(name: str, group: str = "header", position: int = 0) -> Channel:
    """A reference point on the pipe."""
    return Channel(f"RP-{name}", f"RP-{name}", "reference", group, position)


def row_of_valves(count: int, group: str = "header", **more: Any) -> list[Channel]:
    """Valves 1..count along one pipe."""
    stem = "" if group == "header" else group
    return [valve(f"{stem}{i + 1}", group, i, **more) for i in range(count)]


def with_settings(base: CoreSettings = QUICK, **tables: dict[str, Any]) -> CoreSettings:
    """Settings with single values changed: ``with_settings(alarms={"on_delay_s": 0})``."""
    return replace(base, **{name: replace(getattr(base, name), **values) for name, values in tables.items()})


@dataclass
class Samples:
    """Columns of samples under construction; times in seconds of plant time."""

    layout: Layout
    series: list[npt.NDArray[np.int32]] = field(default_factory=list)
    time_us: list[npt.NDArray[np.int64]] = field(default_factory=list)
    value: list[npt.NDArray[np.float64]] = field(default_factory=list)

    def add(self, name: str, t_s: npt.ArrayLike, value: npt.ArrayLike) -> Samples:
        """Samples of one name; `value` a number or one value a time."""
        times = np.atleast_1d(np.asarray(t_s, np.float64))
        self.series.append(np.full(len(times), self.layout.series_index()[name], np.int32))
        self.time_us.append(START_US + np.round(times * US).astype(np.int64))
        self.value.append(np.broadcast_to(np.asarray(value, np.float64), times.shape).copy())
        return self

    def batch(self) -> Batch:
        """In order of time (ties in the order added)."""
        if not self.series:
            return Batch.empty()
        series, time_us, value = (np.concatenate(c) for c in (self.series, self.time_us, self.value))
        return take(
            Batch(series, time_us, value, np.zeros(len(series), np.uint8)), np.argsort(time_us, kind="stable")
        )


def take(batch: Batch, rows: npt.NDArray[Any] | slice) -> Batch:
    """Some rows of a batch, in that order."""
    return Batch(batch.series[rows], batch.time_us[rows], batch.value[rows], batch.flags[rows])


def times(start_s: float, end_s: float, every_s: float) -> npt.NDArray[np.float64]:
    """Sampling times in [start, end)."""
    return np.arange(start_s, end_s, every_s, dtype=np.float64)


@dataclass
class Rig:
    """An engine, its ticks and its journal so far."""

    channels: Sequence[Channel]
    settings: CoreSettings = QUICK
    seed: int = 1
    noise_db: float = 0.4
    ticks: list[Tick] = field(default_factory=list)
    journal: list[JournalEntry] = field(default_factory=list)
    watch: Callable[[Tick], None] | None = None

    def __post_init__(self) -> None:
        self.layout = Layout.of(Register.of(self.channels), self.settings)
        self.engine = Engine(self.layout)
        self.rng = np.random.default_rng(self.seed)
        self.now_s = 0.0

    # feeding

    def samples(self) -> Samples:
        return Samples(self.layout)

    def feed(self, batch: Batch) -> npt.NDArray[np.uint8]:
        """Accept a batch and close what can close; returns the flags."""
        flags = self.engine.accept(batch)
        for tick in self.engine.ticks():
            self.ticks.append(tick)
            self.journal.extend(tick.entries)
            if self.watch is not None:
                self.watch(tick)
        return flags

    def run(
        self,
        for_s: float,
        levels: dict[str, float | Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]],
        process: dict[str, float] | None = None,
        every_s: float | dict[str, float] = 10.0,
        process_every_s: float = 60.0,
    ) -> Rig:
        """Run the plant on for so long: noisy levels by source name, process values each minute."""
        start, end = self.now_s, self.now_s + for_s
        samples = self.samples()
        for name, level in levels.items():
            step = every_s[name] if isinstance(every_s, dict) else every_s
            t = times(np.ceil(start / step) * step, end, step)
            base = level(t) if callable(level) else np.full(len(t), level)
            samples.add(name, t, base + self.rng.normal(0.0, self.noise_db, len(t)))
        for tag, value in (process or {}).items():
            samples.add(tag, times(start, end, process_every_s), value)
        batch = samples.batch()
        chunk = max(1, int(np.ceil(for_s / 3600.0)))
        for part in np.array_split(np.arange(len(batch)), chunk):
            self.feed(take(batch, part))
        self.now_s = end
        return self

    def act(self, kind: ActionKind, subject: str, id_: int = 1, **more: Any) -> list[JournalEntry]:
        """An operator's action on the `passing` alarm (or ``alarm=...``)."""
        alarm = more.pop("alarm", AlarmKind.PASSING)
        entries = self.engine.act(Action(kind, subject, alarm, "ms", **more, id=id_))
        self.journal.extend(entries)
        return entries

    # reading

    def place(self, subject: str) -> int:
        return next(i for i, c in enumerate(self.layout.channels) if subject in (c.subject, c.name))

    @property
    def last(self) -> Tick:
        return self.ticks[-1]

    def value(self, subject: str, what: str, tick: Tick | None = None) -> Any:
        """One channel's entry of a tick's array."""
        return getattr(tick or self.last, what)[self.place(subject)]

    def verdict(self, subject: str, tick: Tick | None = None) -> Verdict:
        return Verdict(int(self.value(subject, "verdict", tick)))

    def reason(self, subject: str, tick: Tick | None = None) -> Reason:
        return Reason(int(self.value(subject, "reason", tick)))

    def health(self, subject: str) -> SensorHealth:
        return SensorHealth(int(self.value(subject, "health")))

    def explanation(self, group: int = 0) -> Explanation:
        return Explanation(int(self.last.explanation[group]))

    def verdicts(self) -> dict[str, str]:
        """Verdict of every valve at the last tick, as text."""
        return {c.subject: self.verdict(c.subject).text for c in self.layout.channels if c.valve}

    def story(self) -> list[tuple[str, str, str]]:
        """(valve, alarm, event) of every journal entry."""
        return [(e.valve, str(e.alarm), str(e.event)) for e in self.journal]

    def events(self, subject: str, alarm: str = "passing") -> list[str]:
        """Events of one alarm, in order."""
        return [e for v, a, e in self.story() if (v, a) == (subject, alarm)]


def seconds(at_us: int) -> float:
    """Plant time of an event time."""
    return (at_us - START_US) / US


def learned_rig(channels: Sequence[Channel], base: dict[str, float], **more: Any) -> Rig:
    """A rig whose channels have learned these backgrounds."""
    process = more.pop("process", None)
    rig = Rig(channels, **more)
    rig.run(LEARNED_S, dict(base), process)
    return rig


def journal_of(ticks: Iterable[Tick]) -> list[JournalEntry]:
    """Journal in canonical order: time, then group, then as each group wrote it."""
    entries = [e for t in ticks for e in t.entries]
    return sorted(entries, key=lambda e: (e.at_us, e.group))


def by_group(ticks: Iterable[Tick], layout: Layout) -> dict[tuple[str, int], dict[str, Any]]:
    """(group, time) -> every array of that group's tick, so that two runs can be compared group by group."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    for tick in ticks:
        for g in tick.groups.tolist():
            rows = slice(int(layout.first[g]), int(layout.first[g] + layout.count[g]))
            said: dict[str, Any] = {name: getattr(tick, name)[rows] for name in PER_CHANNEL}
            said.update({name: getattr(tick, name)[g : g + 1] for name in PER_GROUP})
            said["changed"] = tick.changed[layout.group_of[tick.changed] == g]
            found[layout.group_names[g], tick.at_us] = said
    return found


def assert_same_ticks(one: dict[Any, dict[str, Any]], other: dict[Any, dict[str, Any]]) -> None:
    """Two runs said exactly the same, to the last bit."""
    assert sorted(one) == sorted(other)
    for key, said in one.items():
        for name, array in said.items():
            np.testing.assert_array_equal(array, other[key][name], err_msg=f"{key} {name}")
