"""What went wrong with a connection, in words that say what to do."""

from __future__ import annotations

import socket
import ssl

from paho.mqtt.reasoncodes import ReasonCode

from hissmark.ingest.settings import MqttSettings


class SetupError(Exception):
    """A file of the settings cannot be used; the text says which and why."""


_REFUSALS = {
    "Unsupported protocol version": "it does not speak MQTT {protocol}: set protocol = {other} under [mqtt]",
    "Bad user name or password": "wrong user name or password: check username and password_file under [mqtt]",
    "Not authorized": "this user is not let in: check username, password_file and the broker's users",
    "Client identifier not valid": "it does not accept client_id {client_id!r}",
}


def refusal(reason: ReasonCode, settings: MqttSettings) -> str:
    """Why the broker refused the connection."""
    text = _REFUSALS.get(str(reason))
    place = f"broker {settings.host}:{settings.port} refused the connection"
    if text is None:
        return f"{place}: {reason}"
    five = settings.protocol == 5
    return f"{place}: " + text.format(
        protocol="5" if five else "3.1.1", other='"3.1.1"' if five else '"5"', client_id=settings.client_id
    )


def farewell(reason: ReasonCode | None, was_up: bool, settings: MqttSettings) -> str:
    """Why a connection ended; `reason` is the broker's, None if it just broke."""
    place = f"broker {settings.host}:{settings.port}"
    if reason is None and not was_up:
        hint = "" if settings.uses_tls else "; if this port speaks TLS, set ca_file under [mqtt]"
        return f"{place} closed the connection without an answer{hint}"
    if reason is None:  # not every broker says so when a second client takes the session
        name = settings.client_id
        return f"{place}: the connection was lost; if often, another client may use client_id {name!r}"
    if str(reason) == "Session taken over":
        return f"{place}: another client connected with our client_id {settings.client_id!r}; make it unique"
    return f"{place} ended the connection: {reason}"


def failure(error: BaseException, settings: MqttSettings) -> str:
    """Why the broker could not be reached."""
    place = f"broker {settings.host}:{settings.port}"
    if isinstance(error, SetupError):
        return str(error)
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"{place}: its certificate is not to be trusted: {error.verify_message.rstrip('.')}"
    if isinstance(error, ssl.SSLError):
        what = getattr(error, "reason", None) or error
        return f"{place}: TLS failed ({what}); does this port speak TLS, and is ca_file right?"
    if isinstance(error, socket.gaierror):
        return f"{place}: the name {settings.host!r} cannot be resolved"
    if isinstance(error, ConnectionRefusedError):
        return f"{place}: nothing listens there (connection refused)"
    if isinstance(error, TimeoutError):
        return f"{place}: no answer within {settings.connect_timeout_s:g} s"
    if isinstance(error, ConnectionResetError) and settings.uses_tls:
        return f"{place}: the connection was reset during the TLS handshake; does this port speak TLS?"
    if isinstance(error, OSError):
        return f"{place}: {error.strerror or error}"
    return f"{place}: {type(error).__name__}: {error}"
