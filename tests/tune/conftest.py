"""One past that many tests only read, and copies of it for those that change settings."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from support.tuned_past import Past, lived_past


@pytest.fixture(scope="package")
def past(tmp_path_factory: pytest.TempPathFactory) -> Past:
    return lived_past(tmp_path_factory.mktemp("tune") / "site")


@pytest.fixture
def own(past: Past, tmp_path: Path) -> Path:
    """A copy of the site, to change settings in."""
    return Path(shutil.copytree(past.folder, tmp_path / "north"))
