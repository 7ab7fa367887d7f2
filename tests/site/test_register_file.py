"""register.csv as spreadsheets and people really write it."""

from __future__ import annotations

from pathlib import Path

import pytest

from hissmark.engine.register import Channel, Condition
from hissmark.site import Problem, check_site, load_site

HEADER = ["channel", "kind", "valve", "group", "position", "distance_m", "closed_when", "size_mm"]
ROWS = [
    ["AX-1", "valve", "XV-1", "Süd", "1", "", "ZT-1 < 2.5", "100"],
    ["AX-2", "valve", "XV-2", "Süd", "2", "1.5", "", "80"],
    ["AX-0", "reference", "", "Süd", "0", "", "", ""],
]


def write(folder: Path, raw: bytes | str) -> Path:
    (folder / "site.toml").write_text('name = "x"\n', "utf-8")
    data = raw if isinstance(raw, bytes) else raw.encode()
    (folder / "register.csv").write_bytes(data)
    return folder


def channels(folder: Path) -> dict[str, Channel]:
    return {c.name: c for c in load_site(folder).register.channels}


def of_register(folder: Path) -> list[Problem]:
    return [p for p in check_site(folder) if p.file == "register.csv"]


def table(separator: str, end: str, comma: bool) -> str:
    """The same rows as a spreadsheet of another country would write them."""
    text = end.join(separator.join(row) for row in [HEADER, *ROWS]) + end
    return text.replace(".", ",") if comma else text


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["unix", "windows", "old-mac"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize(
    ("separator", "comma"),
    [(",", False), (";", False), (";", True), ("\t", True)],
    ids=["comma", "semicolon", "semicolon-and-decimal-comma", "tab-and-decimal-comma"],
)
def test_any_usual_csv_gives_the_same_register(
    tmp_path: Path, separator: str, comma: bool, encoding: str, end: str
) -> None:
    found = channels(write(tmp_path, table(separator, end, comma).encode(encoding)))
    assert list(found) == ["AX-0", "AX-1", "AX-2"]  # along the pipe, not along the file
    assert found["AX-1"].closed_when == Condition("ZT-1", "<", 2.5)
    assert found["AX-2"].distance_m == 1.5
    assert found["AX-1"].size_mm == 100
    assert {c.group for c in found.values()} == {"Süd"}
    assert found["AX-0"].kind == "reference"


def test_latin_1_is_read_with_a_warning(tmp_path: Path) -> None:
    problems = of_register(write(tmp_path, table(",", "\n", False).encode("latin-1")))
    assert [(p.line, p.severity) for p in problems] == [(2, "warning")]


def test_decimal_comma_in_quotes(tmp_path: Path) -> None:
    text = 'channel,kind,valve,group,position,distance_m\nA,valve,XV-1,g,1,\nB,valve,XV-2,g,2,"1,5"\n'
    assert channels(write(tmp_path, text))["B"].distance_m == 1.5


def test_empty_rows_and_columns_that_spreadsheets_leave(tmp_path: Path) -> None:
    rows = ["channel;kind;valve;group;position;;", "A;valve;XV-1;g;1;;", "", ";;;;;;", "B;valve;XV-2;g;2;;"]
    text = "\n".join([*rows, ";;;;;;", ";;;;;;", ""])
    assert of_register(write(tmp_path, text)) == []
    assert list(channels(tmp_path)) == ["A", "B"]


def test_order_of_columns_is_free_case_and_blanks_do_not_matter(tmp_path: Path) -> None:
    text = " Position ,GROUP,Valve,kind,Channel\n1,g,XV-1,Valve,A\n2,g,XV-2,valve,B\n"
    assert channels(write(tmp_path, text))["A"].valve == "XV-1"


def test_unknown_columns_are_kept_as_notes(tmp_path: Path) -> None:
    text = "channel,kind,valve,group,position,area\nA,valve,XV-1,g,1,north\nB,valve,XV-2,g,2,\n"
    found = channels(write(tmp_path, text))
    assert found["A"].notes == {"area": "north"}
    assert found["B"].notes == {}


def test_defaults(tmp_path: Path) -> None:
    """Source is the channel's name, consequence medium; everything else is not known."""
    channel = channels(write(tmp_path, table(",", "\n", False)))["AX-2"]
    assert (channel.source, channel.consequence) == ("AX-2", "medium")
    assert (channel.joints, channel.interval_s, channel.closed_when) == (None, None, None)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", [(1, "")]),
        ("\n\n\n", [(1, "")]),
        ("channel,kind,valve,group,position\n", [(1, "")]),
        ("chanel,kind,valve,group,position\nA,valve,X,g,1\n", [(1, "channel")]),
        ("channel,kind,valve,group,position,group\nA,valve,X,g,1,g\n", [(1, "group")]),
        ("\n\nchannel,kind,valve,group\nA,valve,X,g\n", [(3, "position")]),
        (
            'channel,kind,valve,group,position\n"A,valve,X,g,1\nB,valve,Y,g,2\nB,valve,Z,g,3\n',
            [(2, ""), (4, "channel")],
        ),
        (
            'channel,kind,valve,group,position\n"A"x,valve,X,g,1\nB,valve,Y,g,one\n',
            [(2, ""), (3, "position")],
        ),
    ],
    ids=["empty", "blank", "header-only", "misspelt", "doubled", "missing", "open-quote", "text-after-quote"],
)
def test_broken_files(tmp_path: Path, text: str, expected: list[tuple[int, str]]) -> None:
    errors = [(p.line, p.field) for p in of_register(write(tmp_path, text)) if p.severity == "error"]
    assert errors == expected


def test_a_misspelt_column_is_recognised(tmp_path: Path) -> None:
    problems = of_register(write(tmp_path, "chanel,kind,valve,group,position\nA,valve,X,g,1\n"))
    assert "Rename 'chanel' to 'channel'" in problems[0].fix


def test_rows_are_counted_as_an_editor_does(tmp_path: Path) -> None:
    """A quoted cell over three lines, in a file with Windows line ends, before the wrong row."""
    rows = [
        "channel,kind,valve,group,position,remark",
        'A,valve,X,g,1,"one',
        "two",
        'three"',
        "B,valve,Y,g,two,",
    ]
    text = "\r\n".join(rows) + "\r\n"
    assert [(p.line, p.field) for p in of_register(write(tmp_path, text))] == [(5, "position")]


def test_a_short_row_is_told_as_a_warning(tmp_path: Path) -> None:
    text = "channel,kind,valve,group,position,service\nA,valve,X,g,1\nB,valve,Y,g,2,gas\n"
    assert [(p.line, p.severity) for p in of_register(write(tmp_path, text))] == [(2, "warning")]


def test_names_that_differ_only_in_case_are_told(tmp_path: Path) -> None:
    text = "channel,kind,valve,group,position\nA,valve,XV-1,g,1\nB,valve,xv-1,g,2\n"
    assert [(p.line, p.field, p.severity) for p in of_register(write(tmp_path, text))] == [
        (3, "valve", "warning")
    ]


def test_a_reference_point_that_bears_the_name_of_a_valve(tmp_path: Path) -> None:
    text = "channel,kind,valve,group,position\nA,valve,XV-1,g,1\nXV-1,reference,,g,2\n"
    assert [(p.line, p.field) for p in of_register(write(tmp_path, text))] == [(3, "channel")]


def test_a_quote_closed_only_in_a_later_row_is_suspected(tmp_path: Path) -> None:
    """It swallows a row without any CSV error, so the line break inside the name must give it away."""
    text = 'channel,kind,valve,group,position\n"A,valve,X,g,1\nB",valve,Y,g,2\nC,valve,Z,g,3\n'
    problems = [p for p in of_register(write(tmp_path, text)) if p.severity == "error"]
    assert (problems[0].line, problems[0].field) == (2, "channel")
    assert "quote" in problems[0].fix


@pytest.mark.parametrize("text", ["Z >> 2", "Z =< 2", "Z => 2", "Z <> 2", "Z === 2", "Z = 2"])
def test_a_slip_in_the_operator_is_not_taken_for_part_of_the_tag(text: str) -> None:
    with pytest.raises(ValueError, match="operators: "):
        Condition.parse(text)


def test_a_tag_may_begin_with_an_equals_sign() -> None:
    """Reference designations of IEC 81346 do (from memory)."""
    assert Condition.parse("=A1-Q1 >= 2") == Condition("=A1-Q1", ">=", 2.0)


def test_a_large_register_is_checked_quickly(tmp_path: Path) -> None:
    """10,000 channels: `check` is an interactive command."""
    import time

    rows = [f"A{i},valve,XV-{i},g{i // 5},{i % 5},ZT-{i} < 2" for i in range(10_000)]
    write(tmp_path, "\n".join(["channel,kind,valve,group,position,closed_when", *rows]))
    begun = time.perf_counter()
    assert of_register(tmp_path) == []
    assert time.perf_counter() - begun < 5  # about 0.5 s alone; quadratic work takes minutes
