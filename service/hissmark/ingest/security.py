"""TLS context and password from the files that the settings name."""

from __future__ import annotations

import ssl
from pathlib import Path

from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError


def tls_context(settings: MqttSettings) -> ssl.SSLContext:
    """Verifies the broker's certificate and host name. Raises SetupError."""
    for field, file in (
        ("ca_file", settings.ca_file),
        ("cert_file", settings.cert_file),
        ("key_file", settings.key_file),
    ):
        if file is not None:
            _readable(field, file)
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except ssl.SSLError:
        raise SetupError(f"ca_file: {settings.ca_file} holds no PEM certificate") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if settings.cert_file is not None:
        try:
            # An encrypted key would ask on the terminal for its password; nobody is there to answer.
            context.load_cert_chain(settings.cert_file, settings.key_file, password=lambda: "")
        except (ssl.SSLError, ValueError):
            raise SetupError(
                f"cert_file, key_file: {settings.cert_file} and {settings.key_file} are no pair of "
                "PEM certificate and unencrypted key"
            ) from None
    return context


def password(settings: MqttSettings) -> str | None:
    """First line of the password file. Raises SetupError."""
    if settings.password_file is None:
        return None
    text = _readable("password_file", settings.password_file)
    lines = text.decode("utf-8", "replace").splitlines()
    if not lines or not lines[0]:
        raise SetupError(f"password_file: the first line of {settings.password_file} is empty")
    return lines[0]


def _readable(field: str, file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise SetupError(f"{field}: {file} cannot be read: {error.strerror}") from None
