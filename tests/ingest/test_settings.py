"""Settings say what is wrong with them; delays between attempts grow, spread and stay bounded."""

from __future__ import annotations

import random
import socket
import ssl
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from hissmark.decode.source import MqttSource
from hissmark.ingest.receiver import LONGEST_DELAY_S, STEADY_S, Backoff
from hissmark.ingest.security import password, tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError, failure, farewell, refusal
from hissmark.site.settings import PublishSettings

SOURCES = (MqttSource("a/#"), MqttSource("b/#"), MqttSource("a/#", qos=0))


def settings(**changes: object) -> MqttSettings:
    return MqttSettings(**{"host": "h", "client_id": "c", "sources": SOURCES, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"host": ""}, "host:"),
        ({"client_id": ""}, "client_id:"),
        ({"port": 0}, "port:"),
        ({"port": 65536}, "port:"),
        ({"protocol": 4}, "protocol:"),
        ({"keepalive_s": 1}, "keepalive_s:"),
        ({"receive_maximum": 0}, "receive_maximum:"),
        ({"receive_maximum": 65536}, "receive_maximum:"),
        ({"queue_mb": 7}, "queue_mb:"),
        ({"cert_file": Path("x")}, "key_file:"),
    ],
)
def test_wrong_settings_name_the_field(changes: dict[str, object], field: str) -> None:
    with pytest.raises(ValueError, match=field):
        settings(**changes)


def test_each_filter_is_subscribed_to_once() -> None:
    assert settings().filters == ("a/#", "b/#")


def test_a_ca_file_means_tls() -> None:
    assert settings(ca_file=Path("ca.pem")).uses_tls
    assert not settings().uses_tls


@pytest.mark.parametrize("field", ["ca_file", "password_file"])
def test_missing_files_are_named(field: str, tmp_path: Path) -> None:
    read = password if field == "password_file" else tls_context
    with pytest.raises(SetupError, match=f"{field}: .*nowhere cannot be read"):
        read(settings(**{field: tmp_path / "nowhere"}))


def test_a_ca_file_without_certificate(tmp_path: Path) -> None:
    file = tmp_path / "ca.pem"
    file.write_text("hello")
    with pytest.raises(SetupError, match="holds no PEM certificate"):
        tls_context(settings(ca_file=file))


def test_the_password_is_the_first_line(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("s ecret \r\nsecond\n")
    assert password(settings(password_file=file)) == "s ecret "
    file.write_text("")
    with pytest.raises(SetupError, match="is empty"):
        password(settings(password_file=file))


def test_delays_grow_spread_and_stay_below_half_a_minute() -> None:
    delays = [Backoff(random.Random(seed)) for seed in range(50)]
    rounds = [[backoff.delay_s(0.0) for backoff in delays] for _ in range(12)]
    assert all(0.4 < delay <= 1.0 for delay in rounds[0])
    assert len(set(rounds[0])) > 40, "jitter"
    assert max(map(max, rounds)) <= LONGEST_DELAY_S
    assert min(rounds[-1]) >= LONGEST_DELAY_S / 2


def test_after_a_steady_connection_the_next_attempt_follows_quickly() -> None:
    backoff = Backoff(random.Random(1))
    for _ in range(10):
        backoff.delay_s(0.0)
    assert backoff.delay_s(STEADY_S) <= 0.5


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(), "nothing listens there"),
        (socket.gaierror(), "cannot be resolved"),
        (TimeoutError(), "no answer within 5 s"),
        (ssl.SSLError(1, "wrong version number"), "does this port speak TLS"),
        (OSError(113, "No route to host"), "No route to host"),
        (ConnectionResetError(104, "Connection reset by peer"), "Connection reset by peer"),
        (SetupError("password_file: x cannot be read"), "password_file: x"),
        (ValueError("odd"), "ValueError: odd"),
    ],
)
def test_failures_in_words(error: Exception, words: str) -> None:
    assert words in failure(error, settings())


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x84, 'set protocol = "3.1.1"'),
        (0x85, "client_id 'c'"),
        (0x86, "wrong user name or password"),
        (0x87, "not let in"),
        (0x88, "Server unavailable"),
    ],
)
def test_refusals_in_words(code: int, words: str) -> None:
    """Codes of MQTT 5.0, table 3-1 (from memory)."""
    assert words in refusal(ReasonCode(PacketTypes.CONNACK, identifier=code), settings())


def test_farewells_in_words() -> None:
    """0x8E: session taken over (MQTT 5.0, table 3-10, from memory)."""
    taken = ReasonCode(PacketTypes.DISCONNECT, identifier=0x8E)
    assert "make it unique" in farewell(taken, True, settings())
    assert "Server shutting down" in farewell(
        ReasonCode(PacketTypes.DISCONNECT, identifier=0x8B), True, settings()
    )


@pytest.mark.parametrize("name", ["", "a+b", "a#", "a/b", "a\n"])
def test_names_that_sparkplug_does_not_allow(name: str) -> None:
    """Sparkplug 3.0, 4.1: no `+`, `#` or `/` in an id."""
    source = MqttSource("spBv1.0/#", format="sparkplug")
    with pytest.raises(ValueError, match="sparkplug_host"):
        MqttSettings("broker", "us", (source,), sparkplug_host=name)
    with pytest.raises(ValueError, match="sparkplug"):
        PublishSettings(sparkplug=f"works/{name}")
