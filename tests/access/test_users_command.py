"""`hissmark user`, as a person gives it; and the manual has every role and event."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hissmark.access.audit import AuditEvent
from hissmark.access.policy import RULES, Open, needed
from hissmark.access.roles import Role

PASSWORD = "blue kettle under seven pines"
COMMAND = [sys.executable, "-m", "hissmark.cli.main", "user"]
MANUAL = Path(__file__).parents[2] / "service" / "docs" / "access.md"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site that has never run."""
    folder = tmp_path_factory.mktemp("north")
    (folder / "site.toml").write_text('name = "North works"\n', "utf-8")
    (folder / "register.csv").write_text(
        "channel,kind,valve,group,position\nAX-1,valve,XV-101,panel,1\nAX-2,valve,XV-102,panel,2\n", "utf-8"
    )
    return folder


def user(site: Path, *words: str, typed: str = "", code: int = 0) -> subprocess.CompletedProcess[str]:
    group = words[:2] if words[0] == "token" else words[:1]
    command = [*COMMAND, *group, str(site), *words[len(group) :]]
    done = subprocess.run(command, capture_output=True, text=True, input=typed, timeout=60, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done


def test_the_life_of_a_user(site: Path) -> None:
    """From the first to being shut out, with everything on record."""
    assert "No users: the pages are open" in user(site, "list").stdout
    added = user(site, "add", "anna", "--role", "operator", "--password-file", "-", typed=PASSWORD + "\n")
    assert added.stdout == "anna may sign in as operator.\n"
    secret_file = site / "password"
    secret_file.write_text(PASSWORD + " too\n")
    user(site, "password", "anna", "--password-file", str(secret_file))
    assert user(site, "role", "anna", "engineer").stdout == "anna is engineer, was operator.\n"
    made = user(site, "token", "create", "anna", "--role", "viewer", "--label", "shift log", "--days", "30")
    assert re.fullmatch(r"hissmark_[\w-]{43}\n", made.stdout), "the token alone, to be put into a file"
    (token,) = [json.loads(row) for row in user(site, "token", "list", "--json").stdout.splitlines()]
    assert (token["user"], token["role"], token["label"]) == ("anna", "viewer", "shift log")
    assert made.stdout.strip() not in json.dumps(token)
    user(site, "token", "revoke", str(token["id"]))
    assert "revoked" in user(site, "token", "list").stdout
    user(site, "disable", "anna")
    (row,) = [json.loads(line) for line in user(site, "list", "--json").stdout.splitlines()]
    assert (row["name"], row["role"], row["disabled"] is not None) == ("anna", "engineer", True)
    user(site, "disable", "anna", "--undo")
    events = [json.loads(line)["event"] for line in user(site, "audit", "--json").stdout.splitlines()]
    assert events == [
        "user-added", "password-changed", "role-changed", "token-created", "token-revoked", "disabled",
        "enabled",
    ]  # fmt: skip
    assert "role-changed" in user(site, "audit", "--limit", "5").stdout


@pytest.mark.parametrize(
    ("words", "typed", "says"),
    [
        (("add", "anna", "--password-file", "-"), PASSWORD, "There is a user 'anna' already"),
        (("add", "bert", "--password-file", "-"), "short", "5 characters; at least 15"),
        (
            ("add", "bert", "--role", "boss", "--password-file", "-"),
            PASSWORD,
            "'boss' is no role. Roles are:",
        ),
        (("add", "bert"), "", "no terminal to ask for the password"),
        (("add", "bert", "--password-file", "/nowhere"), "", "/nowhere: no such file"),
        (("role", "bert", "viewer"), "", "no user 'bert'"),
        (("password", "bert", "--password-file", "-"), PASSWORD, "no user 'bert'"),
        (("disable", "bert"), "", "no user 'bert'"),
        (("token", "create", "anna", "--role", "administrator"), "", "cannot be administrator"),
        (("token", "create", "anna", "--days", "0"), "", "lasts at most"),
        (("token", "revoke", "99"), "", "no token 99"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(
    site: Path, words: tuple[str, ...], typed: str, says: str
) -> None:
    done = user(site, *words, typed=typed, code=1)
    assert done.stderr.startswith("error: ")
    assert says in done.stderr
    assert done.stdout == ""


def test_the_password_is_asked_for_and_not_shown(site: Path) -> None:
    """On a real terminal: twice, without echo; what differs changes nothing."""
    for second, code in ((PASSWORD + "?", 1), (PASSWORD, 0)):
        shown, status = on_terminal([*COMMAND, "add", str(site), "carla"], [PASSWORD, second])
        assert status == code, shown
        assert PASSWORD not in shown
    assert "carla may sign in as viewer" in shown


def on_terminal(command: list[str], answers: list[str]) -> tuple[str, int]:
    """Run a command on a terminal of its own and type an answer at each question."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.execv(command[0], command)
    shown, waiting, until_s = "", list(answers), time.monotonic() + 60
    while time.monotonic() < until_s:
        if not select.select([terminal], [], [], 0.2)[0]:
            continue
        try:
            shown += os.read(terminal, 4096).decode()
        except OSError:  # the other end is closed
            break
        if waiting and shown.rstrip(" ").endswith(":"):
            os.write(terminal, (waiting.pop(0) + "\n").encode())
            shown += "\n"
    os.close(terminal)
    return shown, os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def cells(heading: str) -> list[str]:
    section = MANUAL.read_text("utf-8").split(f"\n## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `([\w-]+)` \|", section, re.M)


def test_the_manual_has_every_role_and_event() -> None:
    assert cells("Roles") == [str(role) for role in Role]
    assert cells("The audit journal") == [str(event) for event in AuditEvent]


def test_each_role_may_what_the_one_before_may() -> None:
    ranks = [[role.may(asked) for asked in Role] for role in Role]
    assert ranks == [[i >= j for j in range(4)] for i in range(4)]


@pytest.mark.parametrize(
    ("method", "path", "asked"),
    [
        ("GET", "/", Role.VIEWER),
        ("GET", "/api/v1/alarms", Role.VIEWER),
        ("HEAD", "/api/v1/alarms", Role.VIEWER),
        ("POST", "/api/v1/anything/new", Role.OPERATOR),
        ("DELETE", "/api/v1/anything/new", Role.OPERATOR),
        ("PUT", "/", Role.OPERATOR),
        ("GET", "/health/live", Open.ALWAYS),
        ("GET", "/healthy", Role.VIEWER),
        ("GET", "/static/app.js", Open.ALWAYS),
        ("GET", "/sign-in/x", Role.VIEWER),
        ("GET", "/metrics", Open.ON_THIS_MACHINE),
        ("GET", "/metrics/x", Role.VIEWER),
    ],
)
def test_what_is_not_named_is_closed(method: str, path: str, asked: Role | Open) -> None:
    """An address that somebody adds later is never open by oversight."""
    assert needed(method, path) is asked


def test_no_rule_hides_another() -> None:
    for i, rule in enumerate(RULES):
        assert not any(other.covers("POST", rule.start) for other in RULES[:i])
