"""Everything that can be tuned in the computation, with units, defaults and the trade-off of each.

Plain frozen dataclasses: the core stays free of any settings library. The site file maps onto them
one to one (table ``[signal]`` to `SignalSettings` and so on).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class SignalSettings:
    """How samples become one steady level a tick.

    Attributes:
        tick_s: event time between two judgements. Shorter reacts sooner and costs more.
        slot_s: samples closer than this are first condensed to one slot level.
        window_s: length of the window of a dense channel; longer than the longest usual cycle nearby
            (steam traps, pumps), or their noise reaches the floor.
        lateness_s: how far out of order the samples of one channel may arrive and still be judged.
        patience_s: how long a tick waits for a channel that lags behind the others of its group.
        max_ahead_s: a time further ahead of the service's clock than this is stored but not judged.
        stale_s: without a sample for this long (or three of its intervals) a channel has no fresh data.
        sparse_samples: a channel slower than the window allows is judged over this many samples.
        spread_limit_db: L10 - L90 beyond the channel's usual spread above which a window is not steady.
        drift_limit_db: change from the older to the newer half of the window above which it is not steady.
    """

    tick_s: int = 60
    slot_s: int = 10
    window_s: int = 600
    lateness_s: int = 60
    patience_s: int = 900
    max_ahead_s: int = 3600
    stale_s: int = 180
    sparse_samples: int = 4
    spread_limit_db: float = 8.0
    drift_limit_db: float = 2.0


@dataclass(frozen=True, slots=True)
class BaselineSettings:
    """How the background of a channel is learned and how fast it may move.

    Attributes:
        learn_s: event time under test conditions before a channel is judged.
        learn_windows: windows (one floor each) before a channel is judged.
        follow_s: time constant with which a learned baseline follows slow change.
        max_rate_db_per_day: fastest drift that is followed.
        max_drift_db: furthest a baseline may drift from its anchor before somebody has to look.
        min_scale_db: smallest scale (robust standard deviation) believed.
    """

    learn_s: int = 40 * 3600
    learn_windows: int = 48
    follow_s: int = 7 * 24 * 3600
    max_rate_db_per_day: float = 0.5
    max_drift_db: float = 3.0
    min_scale_db: float = 0.5


@dataclass(frozen=True, slots=True)
class JudgeSettings:
    """How the explanations of a group's rises are compared.

    Attributes:
        rise_limit_db: rise at the source below which nothing is called a leak.
        margin_db: how far the leak-only level at the source must stand above the next; also the
            log-likelihood within which two explanations are too close to call.
        coupling_db: uncertainty of how well a sensor couples to its valve (one standard deviation).
        joint_loss_db: assumed loss per flanged joint until the site's own has been learned.
        loss_db_per_m: assumed loss per metre of pipe until the site's own has been learned.
        default_loss_db: assumed loss between neighbours whose joints the register does not count.
        min_difference_bar: pressure difference below which a valve cannot be tested.
        settle_s: time after a stroke during which a valve is not judged.
        odds_limit: evidence (natural log of a likelihood ratio) that a valve must gather against every
            other explanation before it is called passing. Higher is slower and surer.
    """

    rise_limit_db: float = 6.0
    margin_db: float = 3.0
    coupling_db: float = 2.0
    joint_loss_db: float = 3.0
    loss_db_per_m: float = 0.3
    default_loss_db: float = 6.0
    min_difference_bar: float = 1.0
    settle_s: int = 600
    odds_limit: float = 2.0


PriorityName = Literal["low", "medium", "high"]


@dataclass(frozen=True, slots=True)
class PrioritySettings:
    """Which priority an alarm gets: consequence (register, column `consequence`) by severity (rise).

    The starting values are common practice, no source: the site's own alarm philosophy decides.

    Attributes:
        clear_db: rise from which a leak counts as clear; below it as slight.
        severe_db: rise from which a leak counts as severe.
        low_slight: a slight leak at a valve of low consequence.
        low_clear: a clear leak at a valve of low consequence.
        low_severe: a severe leak at a valve of low consequence.
        medium_slight: a slight leak at a valve of medium consequence.
        medium_clear: a clear leak at a valve of medium consequence.
        medium_severe: a severe leak at a valve of medium consequence.
        high_slight: a slight leak at a valve of high consequence.
        high_clear: a clear leak at a valve of high consequence.
        high_severe: a severe leak at a valve of high consequence.
        contested: two explanations too close to call, whatever the consequence.
        sensor_fault: a sensor that cannot be believed, whatever the consequence.
    """

    clear_db: float = 10.0
    severe_db: float = 20.0
    low_slight: PriorityName = "low"
    low_clear: PriorityName = "low"
    low_severe: PriorityName = "medium"
    medium_slight: PriorityName = "low"
    medium_clear: PriorityName = "medium"
    medium_severe: PriorityName = "high"
    high_slight: PriorityName = "medium"
    high_clear: PriorityName = "high"
    high_severe: PriorityName = "high"
    contested: PriorityName = "low"
    sensor_fault: PriorityName = "low"


@dataclass(frozen=True, slots=True)
class AlarmSettings:
    """When a verdict becomes an alarm and when the alarm returns to normal.

    Attributes:
        on_delay_s: how long a verdict must stand before it is annunciated.
        off_delay_s: how long the reason must be gone before the alarm clears.
        deadband_db: an active alarm clears only this far below the limit that raised it.
        fault_delay_s: on-delay of sensor faults.
        silent_delay_s: how long nothing may arrive from a sensor before that is a fault.
            Shorter gaps only make the valve `not testable`; less patience makes an alarm of each gap.
        contested_delay_s: on-delay of `contested`, and its off-delay unless `off_delay_s` is longer.
        max_shelve_s: longest time an alarm may be shelved.
        budget_per_year: false alarms that the noise of a valve's own sensor may cost in a year; a noisy
            sensor gets a higher limit than `rise_limit_db` from it. 0: `rise_limit_db` alone counts.
        priority: which priority an alarm gets.
    """

    on_delay_s: int = 120
    off_delay_s: int = 600
    deadband_db: float = 3.0
    fault_delay_s: int = 900
    silent_delay_s: int = 4 * 3600
    contested_delay_s: int = 1800
    max_shelve_s: int = 12 * 3600
    budget_per_year: float = 0.1
    priority: PrioritySettings = PrioritySettings()


@dataclass(frozen=True, slots=True)
class ConditionRule:
    """An operating condition given by a process tag, e.g. compressor on: ``when = "K-101 > 50"``.

    Groups named here keep a baseline of their own while it holds; no groups means all.
    """

    name: str
    when: str
    groups: tuple[str, ...] = ()


AlarmName = Literal["passing", "contested", "sensor-fault"]


@dataclass(frozen=True, slots=True)
class SuppressRule:
    """Suppression by design: while ``when`` holds, alarms of these groups and valves are not annunciated.

    The judgement goes on underneath; what still stands when the rule no longer holds is annunciated then.
    Neither groups nor valves means all.
    """

    name: str
    when: str
    groups: tuple[str, ...] = ()
    valves: tuple[str, ...] = ()
    alarms: tuple[AlarmName, ...] = ("passing", "contested")


@dataclass(frozen=True, slots=True)
class RepairSettings:
    """When a repair counts as proved by the sound.

    Attributes:
        hold_s: how long the valve and its group must stay back near the background, without a break. Longer
            is surer and later; a sparse sensor is held for at least one of its windows.
        near_db: rise that still counts as back at the background. Below 3 dB a leak cannot be told from the
            background by energy subtraction, so less than that asks for more than the sound can say.
        pressure_share: the check counts only while the pressure difference is at least this share of what it
            was when the leak was last heard: a leak that has less pressure behind it is quieter.
        wait_s: after this long without a chance to test, the repair goes on record as not tested.
    """

    hold_s: int = 1800
    near_db: float = 3.0
    pressure_share: float = 0.8
    wait_s: int = 14 * 86_400


@dataclass(frozen=True, slots=True)
class CoreSettings:
    """All settings of the computation together."""

    signal: SignalSettings = field(default_factory=SignalSettings)
    baseline: BaselineSettings = field(default_factory=BaselineSettings)
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    alarms: AlarmSettings = field(default_factory=AlarmSettings)
    conditions: tuple[ConditionRule, ...] = ()
    suppress: tuple[SuppressRule, ...] = ()
