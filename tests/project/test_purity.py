"""The core is pure: no clock, no chance, no files, and imports that run one way."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "service" / "hissmark"
CORE = ("decode", "signal", "baseline", "judge", "alarms", "engine", "worth")

#: Calls that read the outside world; a name ends with one of these.
IMPURE_CALLS = (
    "time.time", "time.time_ns", "time.monotonic", "time.monotonic_ns", "time.perf_counter", "time.sleep",
    "datetime.now", "datetime.utcnow", "datetime.today", "date.today", "datetime.fromtimestamp",
    "np.random", "numpy.random", "uuid.uuid1", "uuid.uuid4", "os.getenv", "os.environ", "os.urandom",
)  # fmt: skip
IMPURE_BUILTINS = ("open", "print", "input", "breakpoint", "exec", "eval", "hash", "id")
IMPURE_IMPORTS = ("time", "random", "secrets", "os", "pathlib", "socket", "threading", "asyncio", "logging")


def core_files() -> list[Path]:
    return sorted(path for stage in CORE for path in (PACKAGE / stage).rglob("*.py"))


def impurities(source: str) -> Iterator[str]:
    """Everything in `source` that reads a clock, chance, the environment, a file, or an object's address."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute):
            name = ast.unparse(node)
            if any(name == bad or name.endswith("." + bad) for bad in IMPURE_CALLS):
                yield f"line {node.lineno}: {name}"
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if node.func.id in IMPURE_BUILTINS:
                yield f"line {node.lineno}: {node.func.id}()"
        elif isinstance(node, ast.Import):
            yield from (
                f"line {node.lineno}: import {a.name}" for a in node.names if _root(a.name) in IMPURE_IMPORTS
            )
        elif isinstance(node, ast.ImportFrom) and node.module and _root(node.module) in IMPURE_IMPORTS:
            yield f"line {node.lineno}: from {node.module} import"


def _root(module: str) -> str:
    return module.partition(".")[0]


def test_every_stage_of_the_core_is_scanned() -> None:
    assert {path.relative_to(PACKAGE).parts[0] for path in core_files()} == set(CORE)


def test_every_package_is_core_or_kept_out_of_it() -> None:
    """A new package has to be named on one side of the line, in every contract that draws it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    packages = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    for contract in project["tool"]["importlinter"]["contracts"]:
        if contract["id"].startswith("pure-core"):
            forbidden = {name.removeprefix("hissmark.") for name in contract["forbidden_modules"]}
            assert packages - set(CORE) == forbidden & packages, contract["id"]


@pytest.mark.parametrize("path", core_files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_core_reads_no_clock_and_no_chance(path: Path) -> None:
    """Time is event time and arrives with the data; equal samples must give equal answers."""
    assert list(impurities(path.read_text("utf-8"))) == []


@pytest.mark.parametrize(
    "line",
    [
        "import time",
        "from datetime import datetime\nat = datetime.now()",
        "import datetime as d\nat = d.datetime.now(tz=None)",
        "import numpy as np\nx = np.random.default_rng()",
        "text = open('x').read()",
        "from os import environ",
        "key = hash('XV-101')",
    ],
)
def test_the_scan_sees(line: str) -> None:
    """The scan itself: each of these lines must be caught."""
    assert list(impurities(line))


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("judge", "import hissmark.store", "The core knows no clock"),
        ("alarms", "import logging", "The core knows no clock"),
        ("decode", "import paho.mqtt.client", "The core knows no clock"),
        ("signal", "import hissmark.judge", "later stages import earlier ones"),
        ("baseline", "import hissmark.engine.readings", "later stages import earlier ones"),
    ],
)
def test_import_contract_catches(module: str, line: str, contract: str, tmp_path: Path) -> None:
    """The import contract is not decoration: a forbidden import breaks it, by name."""
    shutil.copytree(PACKAGE, tmp_path / "hissmark", ignore=shutil.ignore_patterns("__pycache__", "static"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / "hissmark" / module / "intruder.py").write_text(line + "\n", "utf-8")
    command = [Path(sys.executable).with_name("lint-imports"), "--no-cache"]
    env = os.environ | {"PYTHONPATH": str(tmp_path)}
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
    broken = [row for row in done.stdout.splitlines() if " BROKEN" in row]
    assert done.returncode != 0, done.stdout + done.stderr
    assert any(contract in row for row in broken), done.stdout
    assert "intruder" in done.stdout
