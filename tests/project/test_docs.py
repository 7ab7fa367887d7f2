"""The manual and the program say the same: every setting, verdict, reason, state, reject and metric."""

from __future__ import annotations

import ast
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from enum import Enum
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import typer
from pydantic import BaseModel

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState
from hissmark.cli.main import app
from hissmark.decode.columns import NOT_JUDGED, Flag, RejectReason
from hissmark.decode.decoder import Decoder
from hissmark.decode.limits import Limits
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource
from hissmark.judge.verdicts import BaselineState, Explanation, Labelled, Reason, SensorHealth, Verdict
from hissmark.publish.metrics import Metrics
from hissmark.publish.shapes import JournalShape
from hissmark.site.columns import COLUMNS
from hissmark.site.load import check_site
from hissmark.site.problems import Severity
from hissmark.web.app import create_app
from project.settings_page import Setting, settings, tables

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "service" / "docs"
DEPLOYED = ("mqtt", "mqtt.source", "http", "store", "log", "notify")
EXAMPLE = (ROOT / "config" / "site.toml").read_text("utf-8")


def table(page: str, heading: str) -> list[list[str]]:
    """Cells of the first table under a heading, without its head."""
    text = (DOCS / page).read_text("utf-8").split(f"\n## {heading}\n")[1].split("\n## ")[0]
    rows = [row for row in text.splitlines() if row.startswith("|")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]] for row in rows[2:]]


def first_cells(page: str, heading: str) -> list[str]:
    return [cells[0].strip("`") for cells in table(page, heading)]


def texts(kind: Iterable[Enum]) -> list[str]:
    return [member.text if isinstance(member, Labelled) else str(member.value) for member in kind]


@pytest.mark.parametrize(
    ("page", "heading", "kind"),
    [
        ("alarms.md", "How the program thinks", Explanation),
        ("alarms.md", "Verdicts", Verdict),
        ("alarms.md", "Reasons", Reason),
        ("alarms.md", "Alarms", AlarmKind),
        ("alarms.md", "States", AlarmState),
        ("alarms.md", "Events in the journal", AlarmEvent),
        ("alarms.md", "Sensor health", SensorHealth),
        ("alarms.md", "Baseline states", BaselineState),
        ("reference.md", "Why a record is turned away", RejectReason),
    ],
)
def test_every_word_of_the_program_is_explained(page: str, heading: str, kind: type[Enum]) -> None:
    """No word is missing and none is explained that the program does not use."""
    assert sorted(first_cells(page, heading)) == sorted(texts(kind))


def test_reasons_are_explained_with_a_verdict_that_exists() -> None:
    assert {cells[1] for cells in table("alarms.md", "Reasons")} <= set(texts(Verdict))


def test_marks_on_samples_are_explained() -> None:
    """Name, bit and whether the sample is judged."""
    said = [(c[0].strip("`"), int(c[1]), c[3]) for c in table("reference.md", "Marks on a stored sample")]
    wanted = [(f.name.lower().replace("_", "-"), f.value, "no" if f in NOT_JUDGED else "yes") for f in Flag]
    assert said == wanted


def test_settings_page_is_up_to_date() -> None:
    """Regenerate with: python tests/project/settings_page.py"""
    script = Path(__file__).with_name("settings_page.py")
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_setting_is_without_a_meaning() -> None:
    rows = re.findall(r"^\| `(\w+)` \|.*\| ([^|]*) \|$", (DOCS / "settings.md").read_text("utf-8"), re.M)
    assert len(rows) > 40
    assert [name for name, meaning in rows if len(meaning) < 10] == []


def shown_in_example(table: str, setting: str) -> str | None:
    """The value that the example shows for a setting, in force or commented out; None if it is not there."""
    section = re.split(rf"^#? ?\[\[?{re.escape(table)}\]\]?$", EXAMPLE, flags=re.M)
    within = re.split(r"^#? ?\[", section[1], flags=re.M)[0] if len(section) > 1 else ""
    if table == "mqtt.source":  # there are two, of different formats
        within = "".join(re.split(r"^\[", part, flags=re.M)[0] for part in section[1:])
    found = re.search(rf"^#? ?{setting} = ([^#\n]+)", within, re.M)
    return found[1] if found else None


CORE = [
    row
    for t in tables()
    if t.name and not issubclass(t.kind, BaseModel) and not t.many
    for row in settings(t)
]
DEPLOYMENT = [row for t in tables() if t.name in DEPLOYED for row in settings(t)]


@pytest.mark.parametrize("row", CORE, ids=lambda row: f"{row.table}-{row.name}")
def test_example_site_shows_every_setting_with_its_default(row: Setting) -> None:
    """The example is what people copy: each setting is there, commented, with the default in force."""
    text = shown_in_example(row.table, row.name)
    assert text, f"[{row.table}] {row.name} is not in config/site.toml"
    assert tomllib.loads(f"x = {text}")["x"] == row.default


@pytest.mark.parametrize("row", DEPLOYMENT, ids=lambda row: f"{row.table}-{row.name}")
def test_example_site_shows_the_deployment(row: Setting) -> None:
    assert shown_in_example(row.table, row.name), f"[{row.table}] {row.name} is not in config/site.toml"


def metric_names() -> set[str]:
    """Every metric the program makes, as a scrape shows it."""
    found = set()
    files = ("publish/metrics.py", "daemon/alarm_metrics.py", "daemon/worth_metrics.py")
    trees = [ast.parse((ROOT / "service/hissmark" / name).read_text("utf-8")) for name in files]
    for node in (node for tree in trees for node in ast.walk(tree)):
        if isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            name = node.args[0].value
            if isinstance(name, str) and name.startswith("hissmark_"):
                counter = isinstance(node.func, ast.Name) and node.func.id.startswith("Counter")
                found.add(name + "_total" if counter else name)
        elif isinstance(node, ast.Tuple) and node.elts and isinstance(node.elts[0], ast.Constant):
            name = node.elts[0].value
            if isinstance(name, str) and name.startswith("hissmark_"):
                found.add(name)
    return found


def test_every_metric_is_explained() -> None:
    said = (DOCS / "metrics.md").read_text("utf-8")
    assert len(metric_names()) > 20
    assert {name for name in metric_names() if not re.search(rf"\b{name}\b", said)} == set()


def test_metrics_page_and_alert_rules_name_no_metric_that_does_not_exist() -> None:
    """A dashboard or rule on a misspelt metric is silent for ever."""
    known = metric_names()
    series = known | {name + end for name in known for end in ("_bucket", "_sum", "_count", "_created")}
    for page in (DOCS / "metrics.md", ROOT / "deploy" / "prometheus" / "hissmark.rules.yml"):
        named = set(re.findall(r"\bhissmark_[a-z_]+\b", page.read_text("utf-8")))
        assert named - series == set(), page.name


def shell_lines(page: Path) -> list[str]:
    """Every line of the shell blocks that runs hissmark, comments and continuations taken care of."""
    blocks = re.findall(r"```sh\n(.*?)```", page.read_text("utf-8"), re.S)
    rows = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [row.partition("#")[0] for row in rows if re.match(r"\S*hissmark \w", row)]


PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]


COMMANDS: Any = typer.main.get_command(app)


def command_in(words: list[str]) -> Any:
    """The command (or the command within a command) that the words begin with; None if there is none."""
    found, arguments = COMMANDS, 0
    for word in words:
        if arguments:  # of the command around: `hissmark repair SITE list`
            arguments -= 1
            continue
        if not hasattr(found, "commands"):
            break
        found = found.commands.get(word)
        if found is None:
            return None
        if hasattr(found, "commands"):
            arguments = sum(p.param_type_name == "argument" for p in found.params)
    return found


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_commands_in_the_manual_exist(page: Path) -> None:
    """What people copy from the manual is a command with options that it has."""
    for row in shell_lines(page):
        words = shlex.split(row.partition("|")[0])[1:]
        command = command_in(words)
        assert command is not None, row
        known = {option for p in command.params for option in (*p.opts, *p.secondary_opts)}
        assert {word for word in words if word.startswith("-")} <= known | {"--help"}, row


def test_every_command_has_its_place_in_the_manual() -> None:
    headings = set(re.findall(r"^## ([\w-]+)$", (DOCS / "commands.md").read_text("utf-8"), re.M))
    assert headings == set(COMMANDS.commands)


def test_every_address_of_the_service_is_in_the_manual() -> None:
    """The table of api.md and the OpenAPI description name the same addresses."""
    context = SimpleNamespace(metrics=Metrics())
    described = create_app(context).openapi()["paths"]  # type: ignore[arg-type]
    wanted = {f"{verb.upper()} {path}" for path, verbs in described.items() for verb in verbs}
    said = set(
        re.findall(r"^\| `((?:GET|POST|PUT|PATCH|DELETE) [^`]+)`", (DOCS / "api.md").read_text("utf-8"), re.M)
    )
    assert {re.sub(r"\{(\w+):path\}", r"{\1}", row) for row in wanted} == said


def test_journal_fields_are_explained() -> None:
    """Every field of a journal line, but the sentence, which explains itself."""
    rows = first_cells("commands.md", "alarms")
    said = {name for row in rows for name in re.findall(r"\w+", row)}
    assert said == set(JournalShape.__annotations__) - {"sentence"}


def test_columns_of_the_register_are_explained() -> None:
    assert sorted(first_cells("site-folder.md", "register.csv")) == sorted(COLUMNS)


def test_example_of_a_site_file_is_accepted(tmp_path: Path) -> None:
    """The smallest site.toml of the manual works as it stands."""
    text = (DOCS / "site-folder.md").read_text("utf-8")
    (tmp_path / "site.toml").write_text(re.findall(r"```toml\n(.*?)```", text, re.S)[0], "utf-8")
    (tmp_path / "register.csv").write_bytes((ROOT / "config" / "register.csv").read_bytes())
    assert [str(p) for p in check_site(tmp_path) if p.severity is Severity.ERROR] == []


def test_example_payloads_are_read_as_the_manual_says() -> None:
    """The SenML pack and the JSON message of the manual, through the decoder."""
    senml, plain = re.findall(r"```json\n(.*?)```", (DOCS / "site-folder.md").read_text("utf-8"), re.S)
    sources = (MqttSource("levels"), MqttSource("process/+", format="json", name_template="{1}"))
    decoder = Decoder(sources, {"AX-101": 0, "AX-102": 1, "PT-101": 2}, Limits(), ["AX-101", "AX-102"])
    now_us = 1_772_331_300_000_000
    messages = [
        Message("levels", senml.encode(), now_us, False, None),
        Message("process/PT-101", plain.encode(), now_us, False, None),
    ]
    decoded = decoder.decode(messages, now_us)
    assert decoded.rejects == []
    rows = sorted(zip(decoded.batch.series, decoded.batch.time_us, decoded.batch.value, strict=True))
    at_us = 1_772_331_240_000_000  # 2026-03-01T02:14:00Z
    assert rows == [(0, at_us, 31.2), (1, at_us, 28.9), (1, at_us + 10_000_000, 29.1), (2, at_us, 31.2)]
