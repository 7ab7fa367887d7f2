"""What a story of a verdict holds: values, in numbers, without a sentence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from hissmark.judge.trend import Trend
from hissmark.judge.verdicts import BaselineState, Explanation, Reason, SensorHealth, Verdict


class Lacking(StrEnum):
    """What stands between a verdict and another one."""

    CLOSED = "closed"
    SETTLED = "settled"
    POSITION = "position"
    PRESSURES = "pressures"
    DIFFERENCE = "difference"
    DATA = "data"
    SENSOR = "sensor"
    WINDOWS = "windows"
    LEARNING_TIME = "learning-time"
    STEADY = "steady"
    STILL = "still"
    SAMPLES = "samples"
    TURNING = "turning"
    DROWNED = "drowned"
    RISE = "rise"
    GROUP_RISE = "group-rise"
    MARGIN = "margin"
    KNOWN = "known"
    ODDS = "odds"
    BETTER_FIT = "better-fit"
    ENDS_BY_RISE = "ends-by-rise"
    ENDS_BY_ODDS = "ends-by-odds"


class NoteKind(StrEnum):
    """What is worth saying beside the levels."""

    PEAKS = "peaks"
    CONDITION_NEW = "condition-new"
    FROM_END = "from-end"
    STANDS_UNTESTED = "stands-untested"


@dataclass(frozen=True, slots=True)
class Note:
    """Something that bears upon the verdict, with the numbers behind it.

    Attributes:
        value, usual: `PEAKS`: L10 - L90 in dB, and what is usual there. `CONDITION_NEW`: value is the
            log-likelihood by which whatever begins now has to fit better.
        other: `FROM_END`: the valve or reference point at the end where the noise comes in.
    """

    what: NoteKind
    value: float | None = None
    usual: float | None = None
    other: str | None = None


@dataclass(frozen=True, slots=True)
class Want:
    """One thing that would change the verdict: `have` must reach (or fall to) `need`, in `unit`.

    Attributes:
        other: a tag, condition or explanation that it is about.
    """

    what: Lacking
    have: float | None = None
    need: float | None = None
    unit: str = ""
    other: str | None = None


@dataclass(frozen=True, slots=True)
class Test:
    """Whether the valve is testable, in numbers; None where unknown.

    Attributes:
        difference_bar: pressure difference. settle_left_s: until a stroke counts as over.
        last_us: newest sample. drift_db: newer half of the window less the older.
        spread_db: L10 - L90 of the window, spread_limit_db: what is taken for steady.
        slots: slots of the window that were heard; slots_wanted: how many are needed.
        window_s: length of the window. turning: it or a neighbour's still holds what was heard before the
            group last moved. drowned: a valve of the group has moved and its own sensor has not told yet.
    """

    difference_bar: float | None = None
    settle_left_s: float = 0.0
    last_us: int | None = None
    drift_db: float | None = None
    spread_db: float | None = None
    spread_limit_db: float | None = None
    slots: int | None = None
    slots_wanted: int | None = None
    window_s: float = 0.0
    turning: bool = False
    drowned: bool = False


@dataclass(frozen=True, slots=True)
class Voice:
    """One channel of the group at the tick; levels in dB, None where unknown.

    Attributes:
        expected_db: what the best explanation expects here; residual_db: heard less expected.
        used: whether the channel took part in the comparison.
    """

    channel: str
    subject: str
    is_valve: bool
    level_db: float | None
    baseline_db: float | None
    scale_db: float | None
    rise_db: float | None
    leak_db: float | None
    expected_db: float | None
    residual_db: float | None
    used: bool
    verdict: Verdict
    reason: Reason
    health: SensorHealth


@dataclass(frozen=True, slots=True)
class Score:
    """One explanation that was compared.

    Attributes:
        source: the valve it blames. second: the other one, where it blames two. beside: a first source that
            is no leak: an open valve's tag, or "outside noise".
        score: log-likelihood less the price of its free parameters. behind: how far behind the best.
        residual_db: heard less expected of each channel of the group, None where it was not used.
    """

    explanation: Explanation
    source: str | None
    second: str | None
    beside: str | None
    score: float
    behind: float
    residual_db: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Background:
    """The baseline of the valve's channel at the tick.

    Attributes:
        mode: number of the operating condition, 0 the first; modes: how many the channel has learned.
        condition: what process tags call it, None where it was found by listening. rule: when that holds.
        windows, windows_wanted, since_us, learn_s: how much was heard, and how much is needed.
        drifted_db: how far the baseline has followed slow change since its anchor.
    """

    state: BaselineState
    mode: int
    modes: int
    condition: str | None
    rule: str | None
    by_tags: bool
    value_db: float | None
    scale_db: float | None
    anchor_db: float | None
    drifted_db: float | None
    windows: int
    windows_wanted: int
    since_us: int | None
    learn_s: int


@dataclass(frozen=True, slots=True)
class Gathered:
    """What speaks for the valve passing. Odds are natural logs of a likelihood ratio.

    Attributes:
        now: this tick alone. gathered: averaged over ticks. by_time: what its lasting adds.
        odds, odds_wanted: both together, and what they must reach. plausible_s: since it became plausible.
        margin_db, margin_wanted_db: leak-only level over the next channel, `over` its tag.
    """

    now: float
    gathered: float
    by_time: float
    odds: float
    odds_wanted: float
    plausible_s: float
    margin_db: float | None
    margin_wanted_db: float
    over: str | None
    passing: bool


@dataclass(frozen=True, slots=True)
class Limit:
    """The rise from which the valve may be called a leak, dB.

    Attributes:
        set_db: by the settings. db: the same, or more where the sensor's own noise asks for it under the
            budget of false alarms a year. correlation: of its floors from tick to tick.
    """

    db: float
    set_db: float
    budget_per_year: float
    correlation: float

    @property
    def by_noise(self) -> bool:
        return self.db > self.set_db


@dataclass(frozen=True, slots=True)
class Story:
    """Everything behind one verdict. `evidence` is None where only the history of the tick is left; `trend`
    is that of a passing valve, once it is known."""

    at_us: int
    group: str
    channel: str
    subject: str
    verdict: Verdict
    reason: Reason
    voices: tuple[Voice, ...]
    background: Background
    scores: tuple[Score, ...]
    evidence: Gathered | None
    wants: tuple[Want, ...]
    limit: Limit
    trend: Trend | None = None
    notes: tuple[Note, ...] = ()

    @property
    def own(self) -> Voice:
        """The voice that the story is about."""
        return next(v for v in self.voices if v.channel == self.channel)
