"""What all commands have in common: help, exit codes, messages, and how quickly they start."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli.known_site import hissmark, hissmark_process
from hissmark.cli.errors import FOR_PEOPLE
from hissmark.cli.main import app

COMMANDS = ("demo", "run", "check", "replay", "alarms", "ack", "verdicts", "history")


def test_help_lists_every_command_and_the_caution() -> None:
    text = CliRunner().invoke(app, ["--help"]).output
    for name in COMMANDS:
        assert f"\n  {name} " in text
    assert "not proof of isolation" in " ".join(text.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_every_command_teaches_by_example(name: str) -> None:
    done = CliRunner().invoke(app, [name, "--help"], terminal_width=200)
    assert done.exit_code == 0
    assert f"  hissmark {name}" in done.output.split("Examples:")[1]


def test_version() -> None:
    from hissmark import __version__

    assert CliRunner().invoke(app, ["--version"]).output == f"hissmark {__version__}\n"


def imported_by(*words: str) -> set[str]:
    """Top-level modules that a run of the command has loaded."""
    code = (
        "import sys; from typer.testing import CliRunner; from hissmark.cli.main import app; "
        "r = CliRunner().invoke(app, sys.argv[1:]); assert r.exit_code == 0, r.output; "
        "print(*{name.partition('.')[0] for name in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


HEAVY = {
    "pandas",
    "scipy",
    "fastapi",
    "pyarrow",
    "paho",
    "sqlalchemy",
    "alembic",
    "uvicorn",
    "amqtt",
    "apscheduler",
}


@pytest.mark.parametrize(
    "words", [("--help",), ("run", "--help"), ("replay", "--help"), ("history", "--help")]
)
def test_help_loads_nothing_heavy(words: tuple[str, ...]) -> None:
    assert imported_by(*words) & (HEAVY | {"numpy"}) == set()


def test_check_loads_nothing_heavy(fresh_site: Path) -> None:
    assert imported_by("check", str(fresh_site)) & HEAVY == set()


def test_reading_loads_no_web_server_and_no_science(site: Path) -> None:
    assert imported_by("alarms", str(site)) & {"pandas", "scipy", "fastapi", "paho", "uvicorn"} == set()


@pytest.mark.parametrize("name", sorted(FOR_PEOPLE))
def test_errors_for_people_exist_under_their_names(name: str) -> None:
    """They are listed by name; a rename must not turn messages into tracebacks."""
    module, _, kind = name.rpartition(".")
    __import__(module)
    assert issubclass(getattr(sys.modules[module], kind), Exception)


@pytest.mark.parametrize(
    "words", [("alarms",), ("verdicts",), ("history", "XV-101"), ("ack", "XV-101", "--operator", "A")]
)
def test_a_site_that_has_never_run(fresh_site: Path, words: tuple[str, ...]) -> None:
    done = hissmark(words[0], str(fresh_site), *words[1:])
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("error: ")
    assert "there is no database yet. `hissmark run` creates it." in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (fresh_site / "data").exists()


@pytest.mark.parametrize("words", [("alarms",), ("verdicts",), ("history", "XV-101"), ("run",)])
def test_a_site_with_mistakes_is_refused_with_all_of_them(fresh_site: Path, words: tuple[str, ...]) -> None:
    (fresh_site / "site.toml").write_text('name = "x"\n[http]\nport = 0\nprot = 1\n', "utf-8")
    done = hissmark(words[0], str(fresh_site), *words[1:])
    assert done.returncode == 1
    assert done.stderr.startswith("error: the site has 2 problems:\n  site.toml:3: http.port: ")
    assert "site.toml:4: http.prot: " in done.stderr
    assert "Traceback" not in done.stderr


def test_run_needs_a_broker(fresh_site: Path) -> None:
    done = hissmark("run", str(fresh_site))
    assert done.returncode == 1
    assert done.stderr.startswith("error: site.toml: mqtt: there is no [mqtt] table, so there is no broker")
    assert not (fresh_site / "data").exists()


@pytest.mark.parametrize(
    "words",
    [
        ("frobnicate",),
        ("check",),
        ("check", "--frobnicate"),
        ("history", "x"),
        ("replay", "x"),
        ("demo", "--port", "70000"),
    ],
)
def test_wrong_usage_has_exit_code_2(words: tuple[str, ...]) -> None:
    done = hissmark_process(*words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_a_damaged_database_is_said_in_one_message(site: Path) -> None:
    (site / "data" / "hissmark.db").write_bytes(b"this is no database, whatever its name says" * 100)
    for leftover in (site / "data").glob("hissmark.db-*"):
        leftover.unlink()
    done = hissmark_process("alarms", str(site))
    assert done.returncode == 1
    assert "is not a SQLite database" in done.stderr
    assert "Traceback" not in done.stderr


def test_names_with_brackets_are_printed_as_they_are(site: Path) -> None:
    """A tag is data: the tables must not take it for markup."""
    text = (site / "register.csv").read_text("utf-8").replace("XV-202", "XV-[bold]202")
    (site / "register.csv").write_text(text, "utf-8")
    assert "XV-[bold]202" in hissmark("verdicts", str(site)).stdout


@pytest.mark.parametrize("after_s", [0.0, 0.3])
def test_sigterm_while_the_service_loads_is_a_clean_end(fresh_site: Path, after_s: float) -> None:
    """Loading takes seconds on a busy machine; a supervisor that stops it then must not see a failure."""
    text = (fresh_site / "site.toml").read_text("utf-8")
    text += '[mqtt]\nhost = "127.0.0.1"\nport = 1\nclient_id = "early"\n'
    text += '[[mqtt.source]]\nfilter = "a/b"\nformat = "senml"\n[http]\nport = 18957\n'
    (fresh_site / "site.toml").write_text(text, "utf-8")
    code = (
        "import os, signal, sys, threading, hissmark.cli.main as main, hissmark.site as site\n"
        "load = site.load_site\n"
        "def loading(folder):\n"
        f"    threading.Timer({after_s}, os.kill, (os.getpid(), signal.SIGTERM)).start()\n"
        "    return load(folder)\n"
        "site.load_site = loading\n"
        "sys.argv = ['hissmark', 'run', sys.argv[1]]\n"
        "main.app()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(fresh_site)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr


def test_text_that_nobody_reads_to_its_end_is_no_failure() -> None:
    """As in ``hissmark alarms north | head -1``: Rich by itself would leave with exit code 1."""
    from hissmark.cli.output import console

    with pytest.raises(BrokenPipeError):
        console().on_broken_pipe()
