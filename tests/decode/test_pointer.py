"""JSON Pointer against the table of RFC 6901, section 5 (from memory)."""

from __future__ import annotations

import pytest

from hissmark.decode.pointer import MissingError, Pointer

DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_examples_of_the_rfc(text: str, expected: object) -> None:
    assert Pointer.parse(text).find(DOCUMENT) == expected


def test_tilde_zero_one_is_tilde_one() -> None:
    """RFC 6901, section 4: ~01 stands for ~1, not for /."""
    assert Pointer.parse("/~01").find({"~1": 5, "/": 6}) == 5


@pytest.mark.parametrize(
    "text", ["/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/x", "/nothing", "/a~1b/c", "/foo/²"]
)
def test_what_is_not_there_is_missing(text: str) -> None:
    with pytest.raises(MissingError):
        Pointer.parse(text).find(DOCUMENT)


@pytest.mark.parametrize("text", ["foo", "/a~", "/a~2", "#/foo"])
def test_malformed_pointers_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="value:"):
        Pointer.parse(text, "value")
