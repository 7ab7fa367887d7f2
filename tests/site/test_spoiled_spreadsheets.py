"""Spreadsheets as people really save them, written by real writers (pandas, iconv); and spoiled ones."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pandas as pd
import pytest

from hissmark.engine.register import Condition, Register
from hissmark.site.candidate import examine_table
from hissmark.site.load import load_site
from hissmark.site.problems import Problem
from hissmark.site.register_diff import summary

SHEET = pd.DataFrame(
    {
        "Channel": ["AX-1", "AX-2", "AX-3", "RP-1"],
        "Kind": ["valve", "valve", "Valve", "reference"],
        "VALVE": ["XV-1", "XV-2", "XV-3", ""],
        "Group": ["Süd", "Süd", "Süd", "Süd"],
        "Position": [1, 2, 3, 0],
        "distance_m": [None, 1.5, 12.25, None],
        "closed_when": ["ZT-1 < 2.5", "", "", ""],
        "Bemerkung": ['Flansch "neu";\ngeprüft', "", "à côté, 2e étage", ""],
    }
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text('name = "x"\n', "utf-8")
    text = "channel,kind,valve,group,position\nAX-1,valve,XV-1,Süd,1\nAX-9,valve,XV-9,Süd,9\n"
    (tmp_path / "register.csv").write_text(text, "utf-8")
    return tmp_path


def look(folder: Path, raw: bytes) -> tuple[Register | None, list[Problem], str]:
    found = examine_table(folder, load_site(folder).register, raw, "sheet.csv")
    return found.register, found.problems, summary(found.changes)


def saved(**dialect: object) -> bytes:
    """The sheet as pandas writes it, UTF-8."""
    return SHEET.to_csv(index=False, **dialect).encode()  # type: ignore[call-overload, no-any-return]


def converted(raw: bytes, encoding: str) -> bytes:
    """As iconv writes it in another encoding."""
    done = subprocess.run(
        ["iconv", "-f", "UTF-8", "-t", encoding], input=raw, capture_output=True, check=True
    )
    return done.stdout


SOUND = {
    "semicolons and decimal commas": saved(sep=";", decimal=","),
    "semicolons, byte order mark": b"\xef\xbb\xbf" + saved(sep=";"),
    "tabs, UTF-16 with mark": converted(saved(sep="\t", decimal=","), "UTF-16"),
    "tabs, UTF-16 without mark": converted(saved(sep="\t"), "UTF-16LE"),
    "Windows-1252": converted(saved(sep=";", decimal=","), "WINDOWS-1252"),
    "Latin-1, commas": converted(saved(), "ISO-8859-1"),
    "everything quoted, CRLF": saved(quoting=1, lineterminator="\r\n"),
    "separator told above": b"sep=;\r\n" + saved(sep=";", lineterminator="\r\n"),
    "blank lines and empty columns": saved(sep=";")
    .replace(b"\n", b";;;\n")
    .replace(b";;;\ngepr\xc3\xbcft", b"\ngepr\xc3\xbcft")
    + b"\n;;;;;;;;;;\n\n",
}


@pytest.mark.parametrize("name", SOUND)
def test_each_gives_the_same_register(folder: Path, name: str) -> None:
    register, problems, told = look(folder, SOUND[name])
    assert [str(p) for p in problems if p.severity == "error"] == []
    assert register is not None
    by_name = {c.name: c for c in register.channels}
    assert list(by_name) == ["RP-1", "AX-1", "AX-2", "AX-3"]
    assert by_name["AX-2"].distance_m == 1.5
    assert by_name["AX-3"].distance_m == 12.25
    assert by_name["AX-1"].closed_when == Condition("ZT-1", "<", 2.5)
    assert by_name["AX-1"].notes == {"Bemerkung": 'Flansch "neu";\ngeprüft'}
    assert by_name["AX-3"].notes == {"Bemerkung": "à côté, 2e étage"}
    assert told == "3 added, 1 removed, 1 changed"


SPOILED = {
    "a workbook instead of a CSV": (b"PK\x03\x04rest of a zip", [(None, "", "Save the sheet as CSV")]),
    "a required column has gone": (
        SHEET.drop(columns="Position").to_csv(index=False).encode(),
        [(1, "position", "Add a column 'position'")],
    ),
    "a tag twice, a kind misspelt, a number that is none": (
        SHEET.assign(VALVE=["XV-1", "XV-1", "XV-3", ""], Kind=["valve", "valve", "vlave", "reference"],
                     distance_m=["", "1,5,0", "", ""]).to_csv(index=False, sep=";").encode(),
        [(4, "distance_m", "metres"), (4, "valve", "one channel a valve"), (5, "kind", "'valve'")],
    ),
    "a quote that never closes": (
        b"channel,kind,valve,group,position\nAX-1,valve,\"XV-1,g,1\nAX-2,valve,XV-2,g,2\n",
        [(2, "", '""')],
    ),
    "dates where a spreadsheet guessed": (
        SHEET.assign(Position=["01.Feb", "2", "3", "0"]).to_csv(index=False).encode(),
        [(2, "position", "order along the pipe")],
    ),
    "letters lost in saving": (
        SHEET.assign(Group=["S\ufffdd"] * 4).to_csv(index=False).encode(),
        [(row, "group", "UTF-8") for row in (2, 4, 5, 6)],
    ),
    "cut off in the middle of a row": (
        saved(sep=";")[: saved(sep=";").index(b"XV-3")],
        [(5, "valve", "Write the tag"), (5, "group", "Name the group"), (5, "position", "order")],
    ),
    "an empty sheet": (b"\xef\xbb\xbf\r\n", [(1, "", "")]),
    "a line of totals below the table": (
        saved(sep=";") + b"Sum;;;;6;13.75;;\n",
        [(7, "kind", "'valve'"), (7, "group", "Name the group")],
    ),
    "the heading pasted once more in the middle": (
        saved().replace(b"AX-3,", ",".join(SHEET.columns).encode() + b"\nAX-3,"),
        [(5, "kind", "valve, reference"), (5, "position", "order along the pipe")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILED)
def test_every_fault_is_named_with_row_field_and_what_to_do(folder: Path, name: str) -> None:
    raw, expected = SPOILED[name]
    register, problems, told = look(folder, raw)
    errors = [p for p in problems if p.severity == "error"]
    assert register is None
    assert told == "no change"
    assert all(p.file == "sheet.csv" for p in errors)
    for line, field, fix in expected:
        assert any((p.line, p.field) == (line, field) and fix in p.fix for p in errors), [
            str(p) for p in errors
        ]


def test_what_site_toml_names_must_still_be_there(folder: Path) -> None:
    """A rule of the settings that loses its valve is a problem of the import, not of the next start."""
    with (folder / "site.toml").open("a") as file:
        file.write('[[suppress]]\nname = "shut"\nwhen = "K-1 > 5"\nvalves = ["XV-9"]\n')
    register, problems, _ = look(folder, saved())
    assert register is None
    assert [(p.file, p.field) for p in problems if p.severity == "error"] == [
        ("site.toml", "suppress.valves")
    ]
