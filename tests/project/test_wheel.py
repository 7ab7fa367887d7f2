"""What is shipped: the wheel is complete, clean, and is what the tests run against."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

import hissmark

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "service" / "hissmark"
INSTALLED = pytest.mark.skipif(
    "HISSMARK_WHEEL" not in os.environ, reason="only under tests/run, which installs the wheel"
)


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel under test, or one built now."""
    if "HISSMARK_WHEEL" in os.environ:
        return Path(os.environ["HISSMARK_WHEEL"])
    out = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out, ROOT]
    subprocess.run(command, check=True, capture_output=True)
    return next(out.glob("*.whl"))


@pytest.fixture(scope="session")
def names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def shipped(folder: Path, prefix: str) -> set[str]:
    """Names under which the files of a source folder must appear in the wheel."""
    files = (p for p in folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return {prefix + p.relative_to(folder).as_posix() for p in files}


def test_wheel_holds_the_whole_package(names: set[str]) -> None:
    """Code, migrations, page files and the typing marker."""
    wanted = shipped(SOURCE, "hissmark/")
    assert "hissmark/py.typed" in wanted
    assert wanted - names == set()


@pytest.mark.parametrize("part", ["hissmark/store/migrations/", "hissmark/web/", "hissmark/docs/"])
def test_wheel_holds_files_that_are_not_code(part: str, names: set[str]) -> None:
    """Each of these has files that only a build setting brings in."""
    assert [n for n in names if n.startswith(part) and not n.endswith("/__init__.py")]


def test_wheel_holds_the_manual(names: set[str]) -> None:
    """The running page reads the manual offline, so it travels in the wheel."""
    assert shipped(ROOT / "service" / "docs", "hissmark/docs/") - names == set()


def test_wheel_holds_nothing_else(names: set[str]) -> None:
    """No tests, no databases, no caches."""
    tops = {name.partition("/")[0] for name in names}
    assert tops == {"hissmark", f"hissmark-{hissmark.__version__}.dist-info"}
    assert not [n for n in names if "__pycache__" in n or n.endswith((".db", ".pyc", ".min.js"))]


@INSTALLED
def test_tests_import_the_installed_wheel() -> None:
    """Not the source tree: what is tested is what is shipped."""
    where = Path(hissmark.__file__).resolve()
    assert ROOT / "service" not in where.parents
    assert "site-packages" in where.parts


@INSTALLED
def test_version_is_said_once() -> None:
    """`hissmark.__version__` and the package's metadata agree."""
    assert hissmark.__version__ == version("hissmark")


@INSTALLED
def test_command_is_installed_and_teaches() -> None:
    """`hissmark --help` names every command of the contract."""
    command = Path(sys.executable).with_name("hissmark")
    done = subprocess.run([command, "--help"], capture_output=True, text=True, check=True)
    for name in ("demo", "check", "run", "replay", "alarms", "verdicts", "history"):
        assert f" {name} " in done.stdout


@INSTALLED
def test_wrong_usage_exits_with_2_and_no_traceback() -> None:
    command = Path(sys.executable).with_name("hissmark")
    done = subprocess.run([command, "no-such-command"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
