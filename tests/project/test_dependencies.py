"""What the package imports is what it declares, so that `pip install` brings all of it."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def imported(folder: Path) -> set[str]:
    """Top-level modules imported anywhere in a folder, but the standard library's."""
    found: set[str] = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"hissmark"}


def declared(*extras: str) -> set[str]:
    """Distribution names as pip compares them."""
    rows = list(PROJECT["dependencies"])
    for extra in extras:
        rows += PROJECT["optional-dependencies"][extra]
    return {normal(re.split(r"[\[<>=!~; ]", row, maxsplit=1)[0]) for row in rows}


def normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def distributions(modules: set[str]) -> set[str]:
    known = packages_distributions()
    return {normal(known[name][0]) if name in known else f"{name} (not installed)" for name in modules}


def test_package_imports_only_what_it_declares() -> None:
    """Something that comes along with something else today may be gone tomorrow."""
    assert distributions(imported(ROOT / "service" / "hissmark")) - declared("opcua", "postgres") == set()


#: Not imported, and needed all the same.
FOR_THEIR_FILES = {"youplot"}  # the charting script that the page loads, see hissmark.web.charting


def test_package_declares_nothing_it_does_not_import() -> None:
    """Few runtime dependencies: each is one more thing to keep safe on a plant's machine."""
    assert declared() - distributions(imported(ROOT / "service" / "hissmark")) - FOR_THEIR_FILES == set()


def test_tests_import_only_what_the_extras_bring() -> None:
    """A clean machine must be able to run them; what the benchmarks compare with is an extra of its own."""
    tests = ROOT / "tests"
    own = {normal(p.stem) for p in tests.rglob("*") if p.is_dir() or p.suffix == ".py"}
    wanted = {name for name in imported(tests) if normal(name) not in own}
    missing = {name.removesuffix(" (not installed)") for name in distributions(wanted)}
    assert missing - declared("dev", "bench") == set()


def test_extras_add_what_their_names_say() -> None:
    assert declared("postgres") - declared() == {"psycopg"}
    assert declared("opcua") - declared() == {"asyncua", "cryptography"}
