"""Codes of enums in arrays of small integers."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Any

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.integer[Any]]


def among(codes: Codes, members: Sequence[int]) -> npt.NDArray[np.bool_]:
    """Whether each code is one of a few members (at least one); bool of the shape of `codes`.

    What `np.isin` says, which takes ten times as long on short arrays; and numpy asks a member of an enum
    for many an attribute before it takes it for the number that it is.
    """
    return np.asarray(reduce(np.logical_or, [codes == int(member) for member in members]), bool)
