"""Passwords: what is stored, what is accepted, what may be chosen."""

from __future__ import annotations

import base64
import unicodedata

import pytest
from argon2.low_level import Type, hash_secret_raw

from hissmark.access import passwords
from hissmark.access.errors import AccessError

GOOD = "blue kettle under seven pines"


def test_stored_is_argon2id_as_recommended() -> None:
    """RFC 9106 section 4, second recommended option: t=3, m=2^16 KiB, p=4, 128-bit salt, 256-bit tag."""
    kind, version, costs, salt, tag = passwords.hashed(GOOD).split("$")[1:]
    assert (kind, version, costs) == ("argon2id", "v=19", "m=65536,t=3,p=4")
    assert len(base64.b64decode(salt + "==")) == 16
    assert len(base64.b64decode(tag + "=")) == 32


def test_tag_is_that_of_the_primitive() -> None:
    """What is stored is the function's own value of password and salt, with nothing added."""
    _, _, _, salt, tag = passwords.hashed(GOOD).split("$")[1:]
    raw = hash_secret_raw(GOOD.encode(), base64.b64decode(salt + "=="), 3, 65536, 4, 32, Type.ID)
    assert base64.b64encode(raw).decode().rstrip("=") == tag


def test_same_password_is_never_stored_alike() -> None:
    assert passwords.hashed(GOOD) != passwords.hashed(GOOD)


def test_right_and_wrong() -> None:
    stored = passwords.hashed(GOOD)
    assert passwords.matches(stored, GOOD)
    for wrong in (GOOD.upper(), GOOD + " ", GOOD[:-1], "", GOOD * 20):
        assert not passwords.matches(stored, wrong)
    assert not passwords.matches(None, GOOD)
    assert not passwords.matches("no hash", GOOD)


def test_letters_typed_in_two_ways_are_the_same() -> None:
    """An accented letter as one character or as two: keyboards differ (Unicode normalization, NFKC)."""
    typed = "caf\u00e9 au lait s\u2019il vous pla\u00eet"
    other = unicodedata.normalize("NFD", typed)
    assert typed != other
    assert passwords.matches(passwords.hashed(typed), other)


def test_hash_of_older_parameters_is_seen() -> None:
    assert not passwords.is_outdated(passwords.hashed(GOOD))
    assert passwords.is_outdated(passwords.hashed(GOOD).replace("t=3", "t=2"))


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("fourteen chars", "14 characters; at least 15"),
        ("", "0 characters"),
        ("x" * 257, "at most 256"),
        ("aaaaaaaaaaaaaaaaaaaa", "repeated"),
        ("abababababababababab", "repeated"),
        ("margaretmargaret", "user's name"),
        ("Margaret-Margaret-1", "user's name"),
    ],
)
def test_what_should_not_be_chosen(password: str, says: str) -> None:
    """At least 15 characters where the password is all there is (NIST SP 800-63B-4, from memory)."""
    with pytest.raises(AccessError, match=says):
        passwords.check_rules(password, "margaret")


@pytest.mark.parametrize(
    "password", [GOOD, "fifteen chars!!", "\u00fcber f\u00fcnfzehn Zeichen", "12345678901234567"]
)
def test_no_rules_about_kinds_of_characters(password: str) -> None:
    passwords.check_rules(password, "margaret")
