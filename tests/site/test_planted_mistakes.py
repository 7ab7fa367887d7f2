"""A site folder full of mistakes: each one is named, with the file, the line and the field it is in."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from hissmark.site import Problem, check_site

# A mark at the end of a line names the field that is wrong there; a line without a mark is right.
SETTINGS = """\
name = 12                                    #! name
titel = "North"                              #! titel

[mqtt]
host = ""                                    #! mqtt.host
port = 70000                                 #! mqtt.port
client_id = "hissmark-north"
password = "hunter2"                         #! mqtt.password
password_file = "no-such-file"               #! mqtt.password_file #! mqtt.password_file
ca_file = "ca.pem"                           #! mqtt.ca_file
key_file = "client.key"                      #! mqtt.key_file
protocol = "4"                               #! mqtt.protocol
keepalive_s = 1                              #! mqtt.keepalive_s
tls = "yes"                                  #! mqtt.tls

[[mqtt.source]]                              #! mqtt.source.filter
format = "senml"

[[mqtt.source]]
filter = "plant/#/levels"                    #! mqtt.source.filter
qos = 2                                      #! mqtt.source.qos
format = "xml"                               #! mqtt.source.format

[[mqtt.source]]
filter = "plant/north+/levels"               #! mqtt.source.filter
value = "/value"                             #! mqtt.source.value

[[mqtt.source]]
filter = "plant/+/process"
format = "json"
name = "{1}/{3}"                             #! mqtt.source.name
value = "value"                              #! mqtt.source.value
time = "/time~2"                             #! mqtt.source.time

[[mqtt.source]]
filter = "plant/+/process"                   #! mqtt.source.filter
format = "json"
name = "{one}"                               #! mqtt.source.name

[http]
host = "0.0.0.0"                             #! http.host
port = "8470"                                #! http.port
prot = 1                                     #! http.prot

[store]
url = "mysql://db/hissmark"                  #! store.url
retention_days = -1                          #! store.retention_days

[signal]
tick_s = 45
slot_s = 10                                  #! signal.slot_s
window_s = 600                               #! signal.tick_s@-2
stale_s = 30                                 #! signal.stale_s
lateness_s = 1200                            #! signal.lateness_s
spread_limit_db = nan                        #! signal.spread_limit_db
sparse_samples = 2.5                         #! signal.sparse_samples
rise_limit_db = 6.0                          #! signal.rise_limit_db

[judge]
rise_limit_db = 2
margin_db = -3                               #! judge.margin_db
settle = 60                                  #! judge.settle

[alarms]
deadband_db = 4                              #! alarms.deadband_db
on_delay_s = "5 min"                         #! alarms.on_delay_s

[[condition]]
name = "compressor on"
when = "K-101 is on"                         #! condition.when
groups = ["panle"]                           #! condition.groups

[[condition]]
name = "compressor on"                       #! condition.name
when = "AX-1 > 5"                            #! condition.when

[log]
format = "xml"                               #! log.format
level = "loud"                               #! log.level

[alerts]                                     #! alerts
on_delay_s = 5
"""

HEADER = (
    "channel;source;kind;valve;group;position;distance_m;joints;closed_when;upstream_pressure;"
    "downstream_pressure;size_mm;consequence;interval_s"
)
REGISTER: list[tuple[str, list[str]]] = [
    ("AX-1;;valve;XV-1;panel;1;;;ZT-1 < 2;PT-1;PT-2;150;high;10", []),
    ("AX-1;;valve;XV-2;panel;2;;;;;;;;", ["channel"]),
    ("AX-3;AX-1;valve;XV-3;panel;3;;;;;;;;", ["source"]),
    ("AX-4;;valve;XV-1;panel;4;;;;;;;;", ["valve"]),
    ("AX-5;;valve;XV-5;panel;4;;;;;;;;", ["position"]),
    ("AX-6;;valv;XV-6;panel;6;;;;;;;;", ["kind"]),
    ("AX-7;;valve;;panel;7;;;;;;;;", ["valve"]),
    ("AX-8;;reference;XV-8;panel;8;;;;;;;;", ["valve"]),
    ("AX-9;;valve;XV-9;panel;nine;;;;;;;;", ["position"]),
    ("AX-10;;valve;XV-10;panel;10;-2,5;;;;;;;", ["distance_m"]),
    ("AX-11;;valve;XV-11;panel;11;;-1;;;;;;", ["joints"]),
    ("AX-12;;valve;XV-12;panel;12;;1,5;;;;;;", ["joints"]),
    ("AX-13;;valve;XV-13;panel;13;;;;;;0;;", ["size_mm"]),
    ("AX-14;;valve;XV-14;panel;14;;;ZT-14 ist zu;;;;;", ["closed_when"]),
    ("AX-15;;valve;XV-15;panel;15;;;;PT-1;;;;", ["downstream_pressure"]),
    ("AX-16;;valve;XV-16;panel;16;;;;;PT-2;;;", ["upstream_pressure"]),
    ("AX-17;;valve;XV-17;panel;17;;;;PT-1;PT-1;;;", ["downstream_pressure"]),
    ("AX-18;;valve;XV-18;panel;18;;;AX-1 < 2;;;;;", ["closed_when"]),
    ("AX-19;;valve;XV-19;panel;19;;;;;;;severe;", ["consequence"]),
    ("AX-20;;valve;XV-20;panel;20;;;;;;;;-5", ["interval_s"]),
    ("AX+21;;valve;XV-21;panel;21;;;;;;;;", ["channel"]),
    ("AX-22;;valve; XV-22;panel;22;;;;;;;;", ["valve"]),
    ("AX-23;;valve;XV/23;panel;23;;;;;;;;", ["valve"]),
    ("AX-24;;valve;XV-24;;24;;;;;;;;", ["group"]),
    (";;valve;XV-25;panel;25;;;;;;;;", ["channel"]),
    ("AX-26;;valve;XV-26;panel;26;;;;;;;;;;too;many", [""]),
    ("AX-27;AX-1/L90;valve;XV-27;panel;27;;;;;;;;", ["source"]),
    ("AX-28;;reference;;far-end;1;;;;;;;;", ["group"]),
    ("AX-29;;valve;XV-29;alone;1;;;;;;;;", ["group"]),
    # A quoted cell over two lines: the rows below it must not be counted one line short.
    ('AX-30;;valve;XV-30;panel;30;;;;;;;;"10\n"', []),
    ("AX-31;AX-1;vlave;;panel;4;x;y;?;PT-1;;-1;awful;0", [
        "source", "kind", "position", "distance_m", "joints", "closed_when", "downstream_pressure", "size_mm",
        "consequence", "interval_s",
    ]),
    ("", []),
    ('AX-33;;valve;"XV-33;panel;33;;;;;;;;', [""]),
    ("AX-34;;valve;XV-34;panel;34;;;;;;abc;;", ["size_mm"]),
]  # fmt: skip


def expected_settings() -> list[tuple[int, str]]:
    """(line, field) of every mark; ``@-2`` moves it two lines up, for a clash told where it began."""
    found = []
    for number, row in enumerate(SETTINGS.splitlines(), 1):
        for mark in row.split("#!")[1:]:
            field, _, shift = mark.strip().partition("@")
            found.append((number + int(shift or 0), field))
    return found


def expected_register() -> list[tuple[int, str]]:
    found, line = [], 2
    for row, fields in REGISTER:
        found += [(line, field) for field in fields]
        line += row.count("\n") + 1
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    settings = "\n".join(row.split("#!")[0].rstrip() for row in SETTINGS.splitlines())
    (tmp_path / "site.toml").write_text(settings, "utf-8")
    (tmp_path / "register.csv").write_text("\n".join([HEADER, *(row for row, _ in REGISTER)]) + "\n", "utf-8")
    (tmp_path / "ca.pem").write_text("not a certificate", "utf-8")
    (tmp_path / "client.key").write_text("not a key", "utf-8")
    return tmp_path


def named(problems: list[Problem], file: str) -> list[tuple[int | None, str]]:
    return sorted((p.line, p.field) for p in problems if p.file == file)


def test_every_planted_mistake_in_the_settings_is_named(folder: Path) -> None:
    """Nothing is missed, nothing is invented, and each is on its own line."""
    assert named(check_site(folder), "site.toml") == sorted(expected_settings())


def test_every_planted_mistake_in_the_register_is_named(folder: Path) -> None:
    """Several in one row, too; and below a cell with a line break the lines are still those of the file."""
    assert named(check_site(folder), "register.csv") == sorted(expected_register())


def test_there_are_many_of_them() -> None:
    assert len(expected_settings()) + len(expected_register()) >= 80


def test_every_problem_says_what_is_wrong_and_what_to_do(folder: Path) -> None:
    for problem in check_site(folder):
        assert problem.message.endswith("."), problem
        assert problem.fix, problem


def test_the_secret_itself_is_not_repeated(folder: Path) -> None:
    assert "hunter2" not in "\n".join(map(str, check_site(folder)))


@pytest.mark.parametrize(
    ("field", "hint"),
    [
        ("titel", "Known here: "),
        ("http.prot", "'port'"),
        ("judge.settle", "'settle_s'"),
        ("signal.rise_limit_db", "[judge]"),
        ("alerts", "'alarms'"),
        ("mqtt.password", "password_file"),
        ("condition.groups", "'panel'"),
    ],
)
def test_an_unknown_word_comes_with_the_one_that_was_meant(folder: Path, field: str, hint: str) -> None:
    fixes = [p.fix for p in check_site(folder) if p.field == field]
    assert fixes, field
    assert hint in fixes[0]


def test_the_command_prints_every_one_and_leaves_with_1(folder: Path) -> None:
    """Run as a person would: `hissmark check FOLDER`."""
    done = subprocess.run(
        [sys.executable, "-m", "hissmark.cli.main", "check", str(folder)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    for file, places in (("site.toml", expected_settings()), ("register.csv", expected_register())):
        for line, field in places:
            start, inside = f"{file}:{line}: ", f" {field}: " if field else ": "
            assert any(row.startswith(start) and inside in row for row in lines), (file, line, field)
    assert len(lines) == len(expected_settings()) + len(expected_register())
    assert done.stderr.startswith("error: ")
    assert "Traceback" not in done.stderr
