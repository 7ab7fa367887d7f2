"""Levels that were recorded as voltages, in decibel."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt


class Unit(StrEnum):
    """In what the levels of a file are given."""

    DECIBEL = "dB"
    VOLT = "V"
    MILLIVOLT = "mV"


_VOLTS = {Unit.VOLT: 1.0, Unit.MILLIVOLT: 1e-3}


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a voltage is a level: 20 lg(voltage / reference) - gain.

    Attributes:
        reference_uv: microvolts at the sensor that are 0 dB; acoustic emission takes 1 (dB_AE).
        gain_db: amplification between the sensor and where the voltage was measured.
    """

    unit: Unit = Unit.DECIBEL
    reference_uv: float = 1.0
    gain_db: float = 0.0

    def levels(self, value: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """In dB; NaN where a voltage is not above nothing."""
        if self.unit is Unit.DECIBEL:
            return value
        volts = value * _VOLTS[self.unit]
        with np.errstate(divide="ignore", invalid="ignore"):
            found = 20.0 * np.log10(volts / (self.reference_uv * 1e-6)) - self.gain_db
        return np.where(volts > 0, found, np.nan)
