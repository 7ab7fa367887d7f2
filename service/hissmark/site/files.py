"""Checks what the settings point at outside the two files: certificates, secrets, the database's folder."""

from __future__ import annotations

import os
import ssl
import stat
from pathlib import Path as FilePath
from urllib.parse import urlsplit

from hissmark.site.problems import Findings
from hissmark.site.settings import MqttTable, SiteSettings
from hissmark.site.toml_lines import TomlLines

_FORMS = "sqlite:///data/hissmark.db or postgresql+psycopg://USER@HOST/DATABASE"
_POSTGRES = ("postgresql", "postgresql+psycopg", "postgres")
_SQLITE = ("sqlite", "sqlite+pysqlite")


def file_of(folder: FilePath, text: str) -> FilePath:
    """A file named in the settings: relative to the site folder, ``$NAME`` taken from the environment."""
    return (folder / os.path.expandvars(text)).expanduser()


class FileCheck:
    """Checks that what is referred to is there and can be used."""

    def __init__(
        self, folder: FilePath, settings: SiteSettings, lines: TomlLines, findings: Findings
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.lines = lines
        self.findings = findings

    def run(self) -> None:
        """Report every file that cannot be used, and a store that cannot be opened."""
        if self.settings.mqtt is not None:
            self._check_secrets(self.settings.mqtt)
            self._check_certificates(self.settings.mqtt)
        self._check_store(self.settings.store.url)

    def _say(self, table: str, key: str, message: str, fix: str) -> None:
        self.findings.error(self.lines.of((table, key)), f"{table}.{key}", message, fix)

    def _warn(self, table: str, key: str, message: str, fix: str) -> None:
        self.findings.warning(self.lines.of((table, key)), f"{table}.{key}", message, fix)

    def _read(self, key: str, text: str) -> bytes | None:
        """The file's content; a problem and None if it cannot be read."""
        path = file_of(self.folder, text)
        try:
            return path.read_bytes()
        except OSError as slip:
            reason = (slip.strerror or "unknown reason").lower()
            self._say(
                "mqtt",
                key,
                f"{text!r} cannot be read: {reason}.",
                "Give a file that is there; names count from the site folder.",
            )
            return None

    def _check_secrets(self, mqtt: MqttTable) -> None:
        if not mqtt.password_file:
            return
        secret = self._read("password_file", mqtt.password_file)
        if secret is None:
            return
        if not secret.strip():
            self._say(
                "mqtt", "password_file", f"{mqtt.password_file!r} is empty.", "Write the password into it."
            )
        if file_of(self.folder, mqtt.password_file).stat().st_mode & stat.S_IROTH:
            fix = f"Run: chmod o-r {mqtt.password_file}"
            self._warn(
                "mqtt", "password_file", f"everybody on this machine may read {mqtt.password_file!r}.", fix
            )

    def _check_certificates(self, mqtt: MqttTable) -> None:
        readable = {
            key: text
            for key in ("ca_file", "cert_file", "key_file")
            if (text := getattr(mqtt, key)) and self._read(key, text) is not None
        }
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        if "ca_file" in readable:
            self._check_authority(context, readable["ca_file"])
        if "cert_file" in readable and "key_file" in readable:
            self._check_pair(context, readable["cert_file"], readable["key_file"])

    def _check_authority(self, context: ssl.SSLContext, text: str) -> None:
        try:
            context.load_verify_locations(file_of(self.folder, text))
        except (ssl.SSLError, OSError):
            self._say(
                "mqtt",
                "ca_file",
                f"{text!r} holds no certificate.",
                "Give a file in PEM form (-----BEGIN CERTIFICATE-----).",
            )

    def _check_pair(self, context: ssl.SSLContext, certificate: str, key: str) -> None:
        try:
            # An empty password keeps OpenSSL from asking on the terminal for an encrypted key.
            context.load_cert_chain(file_of(self.folder, certificate), file_of(self.folder, key), password="")
        except (ssl.SSLError, OSError, ValueError):
            self._say(
                "mqtt", "cert_file", f"{certificate!r} and {key!r} are no certificate with its open key.",
                "Give both in PEM form, and the key that the certificate was made for.",
            )  # fmt: skip

    def _check_store(self, url: str) -> None:
        scheme, mark, rest = url.partition("://")
        if not mark or scheme not in (*_SQLITE, *_POSTGRES):
            self._say(
                "store", "url", f"{url!r} is not the address of a database.", f"Write it like {_FORMS}."
            )
        elif scheme in _SQLITE:
            self._check_sqlite(url, rest)
        else:
            self._check_postgres(url)

    def _check_sqlite(self, url: str, rest: str) -> None:
        path = rest[1:].split("?")[0]
        if not rest.startswith("/") or path in ("", ":memory:") or path.startswith("file:"):
            self._say(
                "store",
                "url",
                f"{url!r} names no file.",
                "Three slashes start a path inside the site folder, four an absolute one.",
            )
            return
        place = self.folder / path
        around = next(p for p in place.absolute().parents if p.exists())
        if place.is_dir() or not around.is_dir():
            self._say("store", "url", f"{place} cannot be a file there.", "Name a file in a folder.")
        elif not os.access(around, os.W_OK):
            self._warn(
                "store",
                "url",
                f"the folder {around} may not be written.",
                "Let the user that runs hissmark write there.",
            )

    def _check_postgres(self, url: str) -> None:
        try:
            parts = urlsplit(url)
            _ = parts.port
        except ValueError as slip:
            self._say("store", "url", f"{hidden(url)} cannot be read: {slip}.", f"Write it like {_FORMS}.")
            return
        if not parts.path.strip("/"):
            self._say("store", "url", f"{hidden(url)} names no database.", f"Write it like {_FORMS}.")
        if parts.password:
            self._warn(
                "store", "url", "whoever reads site.toml reads the database's password.",
                "Give the address in the environment variable HISSMARK_STORE_URL, or it in ~/.pgpass.",
            )  # fmt: skip


def hidden(url: str) -> str:
    """`url` in quotes with its password masked, fit for a message."""
    head, mark, tail = url.rpartition("@")
    if not mark:
        return repr(url)
    user = head.split("://", 1)[-1].split(":", 1)[0]
    return repr(f"{head.split('://', 1)[0]}://{user}:***@{tail}")
