"""The command, run as a test wants it."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from hissmark.cli.main import app


@dataclass(frozen=True)
class Done:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


def hissmark(*words: str) -> Done:
    """The command inside this process: quick. A failure that is no message to people comes through."""
    result = CliRunner().invoke(app, list(words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Done(result.exit_code, result.stdout, result.stderr)


def hissmark_process(*words: str, cwd: Path | None = None) -> Done:
    """The command in a process of its own, as a person or a script runs it."""
    command = [sys.executable, "-m", "hissmark.cli.main", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=cwd)
    return Done(done.returncode, done.stdout, done.stderr)
