"""The vocabulary of the judgement: verdicts, their reasons, and the explanations compared.

Codes are small integers so that they travel in arrays; the texts are what people and machines outside see.
"""

from __future__ import annotations

from enum import IntEnum


class Labelled(IntEnum):
    """An integer code with a text of its own."""

    @property
    def text(self) -> str:
        return self.name.lower().replace("_", " ")


class Verdict(Labelled):
    """The verdict of one valve at one tick."""

    QUIET = 0
    PASSING = 1
    SPILL = 2
    CONTESTED = 3
    OUTSIDE_NOISE = 4
    UNSETTLED = 5
    NOT_TESTABLE = 6


class Reason(Labelled):
    """Why a verdict is what it is."""

    AT_BACKGROUND = 0
    HIGHEST_STEADY_RISE = 1
    HIGHEST_LEAK_ONLY_LEVEL = 2
    BEST_FIT_OF_THE_GROUP = 3
    HEARD_FROM_THE_SOURCE = 4
    EXPLANATIONS_TOO_CLOSE = 5
    RISE_BELOW_THE_LIMIT = 6
    EVEN_RISE_OF_THE_GROUP = 7
    NOISE_FROM_ONE_END = 8
    REFERENCE_POINT_RISES_MOST = 9
    OPEN_VALVE_NEARBY = 10
    NO_EXPLANATION_FITS = 11
    LEVEL_NOT_STEADY = 12
    LEVEL_DRIFTING = 13
    TOO_FEW_SAMPLES = 14
    OPEN = 15
    JUST_STROKED = 16
    NO_PRESSURE_DIFFERENCE = 17
    NO_FRESH_DATA = 18
    SENSOR_FAULT = 19
    BASELINE_LEARNING = 20
    POSITION_NOT_HEARD = 21
    PRESSURE_NOT_HEARD = 22
    WAITING_FOR_EVIDENCE = 23
    CAME_AND_WENT_BEFORE = 24
    DROWNED_BY_OTHER_SOUND = 25


class Explanation(Labelled):
    """What may explain the rises of a group."""

    NOTHING = 0
    EVEN_SHIFT = 1
    OUTSIDE_NOISE = 2
    OPEN_VALVE = 3
    ONE_PASSING = 4
    TWO_PASSING = 5
    UNEXPLAINED = 6


class BaselineState(Labelled):
    """State of a channel's baseline."""

    LEARNING = 0
    TRACKING = 1
    HELD = 2
    APPROVED = 3


class SensorHealth(Labelled):
    """What is wrong with a sensor, if anything."""

    WELL = 0
    SILENT = 1
    LOOSE = 2
    STUCK = 3
    SATURATED = 4
    DRIFTING = 5
    NOISY = 6
    CLOCK_WRONG = 7
    SWAPPED = 8
