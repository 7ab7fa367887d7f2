"""Where the channels of each group sit, and how much is lost between any two of them, as padded arrays.

Groups differ in size; everything of the judgement runs over all groups at once, so groups are padded to the
largest: `place` says which channel sits where, -1 where none does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from hissmark.engine.register import Channel
from hissmark.engine.settings import JudgeSettings

F32 = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Geometry:
    """Padded geometry of all groups; G groups, P places.

    Attributes:
        place: int32[G, P] channel at each place, -1 beyond the group's size.
        present: bool[G, P]. reference: bool[G, P] reference points.
        step_db: float32[G, P] expected loss from the previous place (0 at the first).
        loss_db: float32[G, P, P] expected transmission loss between places.
        loss_sd_db: float32[G, P, P] how uncertain that is.
    """

    place: npt.NDArray[np.int32]
    present: npt.NDArray[np.bool_]
    reference: npt.NDArray[np.bool_]
    step_db: F32
    step_sd_db: F32
    loss_db: F32
    loss_sd_db: F32

    @classmethod
    def of(cls, groups: dict[str, tuple[Channel, ...]], settings: JudgeSettings) -> Geometry:
        size = max((len(rows) for rows in groups.values()), default=1)
        shape = (len(groups), size)
        place = np.full(shape, -1, np.int32)
        reference = np.zeros(shape, bool)
        step = np.zeros(shape, np.float32)
        step_sd = np.zeros(shape, np.float32)
        index = 0
        for g, rows in enumerate(groups.values()):
            for p, channel in enumerate(rows):
                place[g, p], reference[g, p] = index, channel.kind == "reference"
                index += 1
                if p:
                    step[g, p], step_sd[g, p] = step_loss(channel, settings)
        return cls._with_steps(place, reference, step, step_sd)

    @classmethod
    def _with_steps(
        cls, place: npt.NDArray[np.int32], reference: npt.NDArray[np.bool_], step: F32, step_sd: F32
    ) -> Geometry:
        along = np.cumsum(step, axis=1)
        variance = np.cumsum(step_sd**2, axis=1)
        loss = np.abs(along[:, :, None] - along[:, None, :])
        sd = np.sqrt(np.abs(variance[:, :, None] - variance[:, None, :]))
        return cls(place, place >= 0, reference, step, step_sd, loss, sd.astype(np.float32))

    def with_steps(self, step_db: F32, step_sd_db: F32) -> Geometry:
        """The same geometry with other (learned) losses between neighbours."""
        return self._with_steps(self.place, self.reference, step_db, step_sd_db)

    def spread(self, values: npt.NDArray[np.generic], empty: float) -> npt.NDArray[np.generic]:
        """Channel values (first axis) laid out by group and place; `empty` where nothing sits."""
        if self.whole:
            return values.reshape(*self.place.shape, *values.shape[1:]).copy()
        laid = values[np.maximum(self.place, 0)]
        laid[~self.present] = empty
        return laid

    @cached_property
    def whole(self) -> bool:
        """Whether channels lie as places do, none of them empty: groups of one size, or a single one."""
        return bool((self.place == np.arange(self.place.size).reshape(self.place.shape)).all())


def step_loss(channel: Channel, settings: JudgeSettings) -> tuple[float, float]:
    """Expected loss from the previous place, dB, and its standard deviation (common practice, no source).

    Between two valves there are flanges, whether the register counts them or not: a length alone says little.
    """
    joints = channel.joints
    by_joints = settings.default_loss_db if joints is None else settings.joint_loss_db * joints
    loss = by_joints + settings.loss_db_per_m * (channel.distance_m or 0.0)
    return max(loss, 1.0), 1.0 + 0.3 * loss
