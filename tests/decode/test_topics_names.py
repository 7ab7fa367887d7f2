"""Topic filters, name templates and the names they give."""

from __future__ import annotations

import pytest

from hissmark.decode.names import NameTemplate, is_senml_name, is_storable_name
from hissmark.decode.source import MqttSource
from hissmark.decode.topics import check_filter, matches

# OASIS MQTT 5.0, 4.7.1 to 4.7.2, the standard's own (non-normative) examples; from memory.
STANDARD_EXAMPLES = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("#", "anything/at/all", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/monitor/Clients", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/monitor/Clients", True),
    ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
]


@pytest.mark.parametrize(("filter_text", "topic", "expected"), STANDARD_EXAMPLES)
def test_matching_follows_the_standard(filter_text: str, topic: str, expected: bool) -> None:
    assert matches(filter_text, topic) is expected


def test_a_shared_subscription_matches_by_its_filter() -> None:
    assert matches("$share/site/plant/+/levels", "plant/north/levels")
    assert not matches("$share/site/plant/+/levels", "plant/north/other")


@pytest.mark.parametrize(
    "text", ["", "sport/tennis#", "sport/tennis/#/ranking", "sport+", "a/b+/c", "$share/g"]
)
def test_malformed_filters_are_refused_with_the_field(text: str) -> None:
    with pytest.raises(ValueError, match="filter:"):
        check_filter(text)


@pytest.mark.parametrize("text", ["#", "+", "a/+/c", "a/#", "/", "$share/g/a/+"])
def test_good_filters_pass(text: str) -> None:
    check_filter(text)


def test_a_template_counts_topic_levels_from_zero() -> None:
    template = NameTemplate.parse("{1}/{3}")
    assert template.name("plant/north/levels/AX-101") == "north/AX-101"
    assert template.name("plant/north/levels") is None
    assert NameTemplate.parse("site-{0}.x").name("a/b") == "site-a.x"
    assert NameTemplate.parse("{1}").name("a/{0}") == "{0}", "what a level holds is not a template"


@pytest.mark.parametrize("text", ["", "fixed", "{name}", "{1", "{-1}", "{1}}"])
def test_bad_templates_say_so(text: str) -> None:
    with pytest.raises(ValueError, match="name:"):
        NameTemplate.parse(text)


def test_names_by_rfc_8428() -> None:
    """RFC 8428, 4.5.1: letters, digits, - : . / _ and the first one alphanumeric."""
    assert all(map(is_senml_name, ["AX-101", "urn:dev:ow:10e2073a01080063", "2001:db8::2/temp", "a_b.c/L90"]))
    assert not any(map(is_senml_name, ["", "-a", "_a", "a b", "ü", "a\n", "x" * 256]))


def test_names_from_topics_may_be_any_printable_text() -> None:
    assert is_storable_name("Ventil Süd 3")
    assert not any(map(is_storable_name, ["", "a\0b", "a\nb", "\ud800", "x" * 256]))


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"filter": ""}, "filter:"),
        ({"filter": "a", "qos": 2}, "qos:"),
        ({"filter": "a", "format": "xml"}, "format:"),
        ({"filter": "a", "unit": "Pa"}, "unit:"),
        ({"filter": "a", "name_template": "x"}, "name:"),
        ({"filter": "a", "value_pointer": "value"}, "value:"),
        ({"filter": "a", "time_pointer": "/a~2"}, "time:"),
    ],
)
def test_a_source_names_the_wrong_field(options: dict[str, object], field: str) -> None:
    with pytest.raises(ValueError, match=field):
        MqttSource(**options)  # type: ignore[arg-type]
