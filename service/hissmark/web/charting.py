"""The charting library uPlot, as it lies in an installed wheel.

The wheel `youplot` carries the official build of uPlot 1.6.31 (MIT licence). Only that file is used, never
the wheel's Python; its checksum is that of the file the authors of uPlot publish, and anything else is not
served: a page in a control room runs nothing that nobody has looked at.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

WHEEL = "youplot"


@dataclass(frozen=True, slots=True)
class Asset:
    """One file out of the wheel. `sha256` is that of the official build."""

    name: str
    path: str
    media_type: str
    sha256: str


ASSETS = (
    Asset(
        "uplot.js",
        "youplot/vendor/uplot.iife.min.js",
        "text/javascript",
        "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    ),
    Asset(
        "uplot.css",
        "youplot/vendor/uplot.min.css",
        "text/css",
        "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
    ),
)


class ChartingMissingError(Exception):
    """The charting library is not there, or is not what it should be."""


def load(asset: Asset) -> bytes:
    """The file's bytes. Raises `ChartingMissingError` that says what to do."""
    try:
        path = Path(str(metadata.distribution(WHEEL).locate_file(asset.path)))
        content = path.read_bytes()
    except (metadata.PackageNotFoundError, OSError) as error:
        raise ChartingMissingError(
            f"{asset.name}: install hissmark with its dependencies ({error})"
        ) from error
    if hashlib.sha256(content).hexdigest() != asset.sha256:
        raise ChartingMissingError(f"{path} is not the official build of uPlot; reinstall {WHEEL}")
    return content
