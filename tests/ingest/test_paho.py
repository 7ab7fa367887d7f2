"""The private parts of paho under the fast client. If this fails, paho has changed: see ingest/client.py."""

from __future__ import annotations

import inspect

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hissmark.ingest.client import PRIVATE


@pytest.fixture
def client() -> mqtt.Client:
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id="x")


def test_everything_used_is_there(client: mqtt.Client) -> None:
    assert [name for name in PRIVATE if not hasattr(client, name)] == []


@pytest.mark.parametrize(
    ("name", "parameters"),
    [
        ("_sock_recv", ["bufsize"]),
        ("_packet_handle", []),
        ("_packet_queue", ["command", "packet", "mid", "qos", "info"]),
        ("_loop_rc_handle", ["rc"]),
    ],
)
def test_signatures(client: mqtt.Client, name: str, parameters: list[str]) -> None:
    assert list(inspect.signature(getattr(client, name)).parameters) == parameters


def test_the_packet_in_hand_has_the_known_fields(client: mqtt.Client) -> None:
    needed = {"command", "have_remaining", "remaining_length", "packet", "to_process", "pos"}
    assert needed <= set(client._in_packet)


def test_reading_goes_through_the_method_we_replace() -> None:
    """Our loop calls `loop_read`; nothing in paho may read the socket behind its back."""
    source = inspect.getsource(mqtt.Client)
    assert source.count("self._sock_recv(") == source.count(
        "self._sock_recv(", source.index("def _packet_read")
    )
