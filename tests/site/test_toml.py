"""site.toml: where each key stands, and going on after a syntax error."""

from __future__ import annotations

from pathlib import Path

import pytest

from hissmark.site import check_site
from hissmark.site.problems import Findings
from hissmark.site.toml_lines import TomlLines
from hissmark.site.toml_text import parse_toml

TEXT = '''\
name = "x"            # [not.a.table]

[mqtt]
host = "a = b # c"
note = """
port = 1
[http]
"""
"client_id" = "c"

[[mqtt.source]]
filter = "a"
[[mqtt.source]]
filter = "b"

[[condition]]
name = "c"
groups = [
  "one",   # ] not the end
  "two",
]
when = "T > 1"
inline = { when = 1 }
tail.of.dots = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("name",), 1),
        (("mqtt",), 3),
        (("mqtt", "host"), 4),
        (("mqtt", "client_id"), 9),
        (("mqtt", "source"), 11),
        (("mqtt", "source", 0, "filter"), 12),
        (("mqtt", "source", 1), 13),
        (("mqtt", "source", 1, "filter"), 14),
        (("condition", 0, "when"), 22),
        (("condition", 0, "groups", 1), 18),
        (("condition", 0, "inline", "when"), 23),
        (("condition", 0, "tail", "of", "dots"), 24),
        (("mqtt", "port"), 3),
        (("http",), None),
    ],
)
def test_the_line_of_a_key(path: tuple[str | int, ...], line: int | None) -> None:
    """Text inside strings and comments is neither key nor table; an unwritten key is where its table is."""
    assert TomlLines(TEXT).of(path) == line


def lines_of(raw: str) -> tuple[list[int | None], dict[str, object]]:
    findings = Findings("site.toml")
    data = parse_toml(raw.encode(), findings).data
    return [p.line for p in findings.problems], data


@pytest.mark.parametrize(
    ("raw", "lines", "data"),
    [
        ('name = North\nport = 1\nhost = "a\nx = 2', [1, 3], {"port": 1, "x": 2}),
        ("[mqtt\nport = 1\n[http]\nport = 2", [1], {"mqtt": {"port": 1}, "http": {"port": 2}}),
        ("[[mqtt.source]\nqos = 1", [1], {"mqtt": {"source": [{"qos": 1}]}}),
        ("a = 1\na = 2\nb = 3", [2], {"a": 1, "b": 3}),
        ("[m]\na = 1\n[m]\nb = 2\n[n]\nc = 3", [3], {"m": {"a": 1}, "n": {"c": 3}}),
        ('groups = [\n  "one",\n  "two"\nport = 1\n[http]\nx = 1', [1], {"port": 1, "http": {"x": 1}}),
        ('x = 1\ngroups = ["one"', [2], {"x": 1}),
        ('x = 1\ny = """open\nz = 2', [2], {"x": 1, "z": 2}),
        ("loss = 0,5\nx = 1", [1], {"x": 1}),
        ("\ufeffname = 'x'\r\nport = 1\r\n", [], {"name": "x", "port": 1}),
        ("just words\nx = 1", [1], {"x": 1}),
    ],
)
def test_after_a_syntax_error_the_rest_is_read(raw: str, lines: list[int], data: dict[str, object]) -> None:
    found, read = lines_of(raw)
    assert (found, read) == (lines, data)


def test_a_syntax_error_hides_no_other_mistake(tmp_path: Path) -> None:
    """And what the broken line meant to set is not called missing as well."""
    (tmp_path / "register.csv").write_text(
        "channel,kind,valve,group,position\nA,valve,XV-1,g,1\nB,valve,XV-2,g,2\n"
    )
    (tmp_path / "site.toml").write_text('name = North\n\n[http]\nport = 99999\nhots = "x"\n')
    found = [(p.line, p.field) for p in check_site(tmp_path) if p.severity == "error"]
    assert found == [(1, ""), (4, "http.port"), (5, "http.hots")]


def test_text_that_is_not_utf8_is_named_by_line(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_bytes(b'name = "x"\n# S\xfcd\n')
    problems = [p for p in check_site(tmp_path) if p.file == "site.toml" and "UTF-8" in p.message]
    assert [p.line for p in problems] == [2]


@pytest.mark.parametrize(("row", "advice"), [("name = North", "double quotes"), ("x = 0,5", "point")])
def test_the_advice_fits_the_slip(row: str, advice: str) -> None:
    findings = Findings("site.toml")
    parse_toml(row.encode(), findings)
    assert advice in findings.problems[0].fix
