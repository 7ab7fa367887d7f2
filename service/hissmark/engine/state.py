"""All state of the computation besides the intake: what one tick leaves to the next."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import AlarmBank, Subject
from hissmark.alarms.journal import AlarmKind
from hissmark.baseline.bank import Baselines
from hissmark.baseline.following import Pace
from hissmark.engine.conditions import ProcessValues, Wiring
from hissmark.engine.intake import NEVER
from hissmark.engine.layout import LEVEL, Layout
from hissmark.engine.passed_memory import PassedMemory
from hissmark.engine.repair_memory import RepairMemory
from hissmark.engine.suppression import Suppression
from hissmark.engine.tuned import Tuned
from hissmark.judge import evidence as ev
from hissmark.judge.acoustics import Acoustics
from hissmark.judge.geometry import Geometry
from hissmark.judge.health import HealthBank
from hissmark.judge.spill import SpillCeilings
from hissmark.judge.trend import Trends
from hissmark.signal.windows import SlotRing

F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]


class State:
    """The parts that remember, and what is worked out once from the register.

    Attributes:
        evidence: float32[channels] odds (natural log) gathered.
        lead_s: float32[channels] how long plausible.
        source_db: float32[channels] dB that a valve which passes was last heard at; NaN where none does.
        retest: uint8[channels] what stands and is to be tested against new settings, see `retested`.
        passing: bool[channels]. stroked_us: int64[channels] last stroke.
        open_us: int64[channels] open since, 0 while closed; negative once its response was measured.
        said: int16[channels] the last verdict given. mode: int8[groups] operating condition.
        settled: int8[groups] the operating condition in which nothing began to pass.
        stirred: bool[groups] something stood out at the last tick.
        named: int8[groups] operating condition by tags at the last tick. fell_us, rose_us: int64[groups] when
            something last began to fall (or was stroked) and to rise, see `moving`.
        sudden_us: int64[groups] when something last changed suddenly, 0 once the group was as usual after it.
        begun_us: int64[groups] when the group was first heard, 0 before.
        restless_s: float32[channels] how long the channel has not been steady of late.
        free: bool[groups] whose operating conditions are found in the levels, not named by tags.
        own_inputs: int32[4, channels] the inputs of each channel by role.
    """

    STATE_CHANNEL = (
        "evidence",
        "lead_s",
        "passing",
        "stroked_us",
        "open_us",
        "said",
        "restless_s",
        "retest",
        "source_db",
    )
    STATE_GROUP = ("mode", "settled", "stirred", "named", "fell_us", "rose_us", "sudden_us", "begun_us")

    def __init__(self, layout: Layout) -> None:
        settings = layout.settings
        n, groups = len(layout.channels), len(layout.group_names)
        self.layout, self.settings = layout, settings
        self.tuned = Tuned(layout)
        self.wiring = Wiring.of(layout)
        self.geometry = Geometry.of(layout.register.groups, settings.judge)
        self.acoustics = Acoustics(self.geometry, settings.judge.coupling_db)
        self.valve = np.array([c.kind == "valve" for c in layout.channels], bool)
        self.free = _untagged(layout)
        self.own_inputs = _own_inputs(layout)
        self.windows = SlotRing(n, settings.signal.window_s // settings.signal.slot_s + 4)
        self.process = ProcessValues(len(layout.input_series))
        self.baselines = Baselines(
            layout.group_of, groups, len(layout.conditions) + 1, settings.baseline, settings.signal
        )
        self.health = HealthBank(n)
        self.repairs = RepairMemory(n, groups)
        self.passed = PassedMemory(n, groups)
        self.trends = Trends(n)
        self.ceilings = SpillCeilings(n, groups)
        self.evidence: F32 = np.full(n, ev.LOWEST, np.float32)
        self.lead_s: F32 = np.zeros(n, np.float32)
        self.passing: Bools = np.zeros(n, bool)
        self.source_db: F32 = np.full(n, np.nan, np.float32)
        self.stroked_us: I64 = np.full(n, NEVER, np.int64)
        self.open_us: I64 = np.zeros(n, np.int64)
        self.said: npt.NDArray[np.int16] = np.full(n, -1, np.int16)
        self.mode: npt.NDArray[np.int8] = np.zeros(groups, np.int8)
        self.settled: npt.NDArray[np.int8] = np.zeros(groups, np.int8)
        self.stirred: Bools = np.zeros(groups, bool)
        self.named: npt.NDArray[np.int8] = np.zeros(groups, np.int8)
        self.fell_us: I64 = np.full(groups, NEVER, np.int64)
        self.rose_us: I64 = np.full(groups, NEVER, np.int64)
        self.sudden_us: I64 = np.zeros(groups, np.int64)
        self.begun_us: I64 = np.zeros(groups, np.int64)
        self.restless_s: F32 = np.zeros(n, np.float32)
        self.retest: npt.NDArray[np.uint8] = np.zeros(n, np.uint8)
        self.suppression = Suppression.of(layout)
        self.alarms = _alarms(layout, self.suppression.texts)
        self.retune()

    def retune(self) -> None:
        """Hand the tuned settings on to the parts that keep their own."""
        tuned = self.tuned
        self.baselines.pace = Pace(tuned.follow_s, tuned.max_rate_db_per_day, tuned.max_drift_db)
        delays = {
            AlarmKind.PASSING: tuned.on_delay_s,
            AlarmKind.CONTESTED: tuned.contested_delay_s,
            AlarmKind.SENSOR_FAULT: tuned.fault_delay_s,
        }
        self.alarms.use(delays, tuned.off_delay_s, (tuned.clear_db, tuned.severe_db))

    def groups_with(self, channels: Bools) -> Bools:
        """Groups that have any of these channels, bool[groups]."""
        groups = np.zeros(len(self.layout.group_names), bool)
        groups[self.layout.group_of[channels]] = True
        return groups

    def rows_of(self, group: int) -> slice:
        """The channels of a group."""
        first = int(self.layout.first[group])
        return slice(first, first + int(self.layout.count[group]))


def _untagged(layout: Layout) -> Bools:
    """Groups of whose operating conditions no process tag tells."""
    tagged = np.zeros(len(layout.group_names), bool)
    for _, members in layout.conditions:
        tagged[sorted(members)] = True
    return ~tagged


def _own_inputs(layout: Layout) -> npt.NDArray[np.int32]:
    own = np.zeros((4, len(layout.channels)), np.int32)
    inputs = np.flatnonzero(layout.input_channel >= 0)
    own[layout.input_role[inputs] - LEVEL, layout.input_channel[inputs]] = inputs
    return own


def _alarms(layout: Layout, rules: tuple[str, ...]) -> AlarmBank:
    settings = layout.settings.alarms
    return AlarmBank(
        tuple(Subject(c.subject, c.group, c.consequence) for c in layout.channels),
        {
            AlarmKind.PASSING: settings.on_delay_s,
            AlarmKind.CONTESTED: settings.contested_delay_s,
            AlarmKind.SENSOR_FAULT: settings.fault_delay_s,
        },
        settings.off_delay_s,
        max_shelve_s=settings.max_shelve_s,
        priority=settings.priority,
        rules=rules,
    )
