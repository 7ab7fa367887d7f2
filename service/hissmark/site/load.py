"""A site folder as the rest of the service sees it: settings, register, and nothing wrong with either."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from hissmark.decode.source import MqttSource
from hissmark.engine.register import Register
from hissmark.engine.settings import CoreSettings
from hissmark.ingest.settings import MqttSettings
from hissmark.site import register as register_file
from hissmark.site.consistency import SettingsCheck
from hissmark.site.files import FileCheck, file_of
from hissmark.site.http_checks import HttpCheck
from hissmark.site.notify_checks import NotifyCheck
from hissmark.site.problems import Findings, Problem, SiteError, errors_of
from hissmark.site.register import Draft, read_drafts, to_register
from hissmark.site.register_checks import check_rows
from hissmark.site.rules import check_rules
from hissmark.site.settings import MqttTable, SiteSettings, SourceSettings
from hissmark.site.settings_text import read_settings
from hissmark.site.toml_lines import TomlLines
from hissmark.site.toml_text import parse_toml

if TYPE_CHECKING:
    from hissmark.store.archive.place import Place

SETTINGS_FILE = "site.toml"
REGISTER_FILE = register_file.FILE
STORE_URL_VARIABLE = "HISSMARK_STORE_URL"


@dataclass(frozen=True)
class Site:
    """A site that can be run or replayed."""

    folder: Path
    settings: SiteSettings
    register: Register

    @property
    def name(self) -> str:
        return self.settings.name

    @property
    def core(self) -> CoreSettings:
        """The settings of the computation."""
        return self.settings.core

    @property
    def store_url(self) -> str:
        """Where the database is; the environment variable HISSMARK_STORE_URL wins over site.toml."""
        return os.environ.get(STORE_URL_VARIABLE) or self.settings.store.url

    @property
    def archive(self) -> Place | None:
        """Where older samples are filed; None if they stay in the database. Raises StoreError."""
        from hissmark.store.archive.place import place_of  # checking a folder needs no database

        return place_of(self.settings.store.archive, self.folder)

    @property
    def mqtt(self) -> MqttSettings:
        """How to reach the broker. Raises SiteError if the settings do not say."""
        table = self.settings.mqtt
        if table is None:
            message = "there is no [mqtt] table, so there is no broker to listen to."
            fix = "Add [mqtt] with host, client_id and at least one [[mqtt.source]]."
            raise SiteError([Problem(SETTINGS_FILE, None, "mqtt", message, fix)])
        return _mqtt(self.folder, table)


def load_site(folder: str | Path) -> Site:
    """Read a site folder. Raises SiteError with every problem if it has errors; warnings are let pass."""
    site, problems = examine(folder)
    if site is None or errors_of(problems):
        raise SiteError(problems)
    return site


def check_site(folder: str | Path) -> list[Problem]:
    """Everything that is wrong with a site folder, in order of file and line."""
    return examine(folder)[1]


def examine(folder: str | Path, register: bytes | None = None) -> tuple[Site | None, list[Problem]]:
    """The site (None if it has errors) and every problem, errors and warnings.

    `register`: look at this text in place of the folder's register.csv.
    """
    place = Path(folder)
    if not place.is_dir():
        what = "is not a folder" if place.exists() else "does not exist"
        fix = f"Give the folder that holds {SETTINGS_FILE} and {REGISTER_FILE}."
        return None, [Problem(str(folder), None, "", f"{what}.", fix)]
    in_settings, in_register = Findings(SETTINGS_FILE), Findings(REGISTER_FILE)
    settings, lines = _examine_settings(place, in_settings)
    raw = _read_file(place, in_register) if register is None else register
    drafts = _examine_register(raw, in_register)
    if settings is not None:
        check_rules(settings, lines, drafts, in_settings)
        NotifyCheck(place, settings, lines, drafts, in_settings).run()
    problems = [p for f in (in_settings, in_register) for p in sorted(f.problems, key=lambda p: p.line or 0)]
    if settings is None or errors_of(problems):
        return None, problems
    return Site(place, settings, to_register(drafts)), problems


def _read_file(folder: Path, findings: Findings) -> bytes | None:
    try:
        return (folder / findings.file).read_bytes()
    except FileNotFoundError:
        findings.error(
            None, "", f"is missing in {folder}.", "Copy the commented example from the folder config/."
        )
    except OSError as slip:
        findings.error(None, "", f"cannot be read: {(slip.strerror or 'unknown reason').lower()}.", "")
    return None


def _examine_settings(folder: Path, findings: Findings) -> tuple[SiteSettings | None, TomlLines]:
    raw = _read_file(folder, findings)
    if raw is None:
        return None, TomlLines("")
    toml = parse_toml(raw, findings)
    settings = read_settings(toml, findings)
    if settings is not None:
        SettingsCheck(settings, toml.lines, findings).run()
        FileCheck(folder, settings, toml.lines, findings).run()
        HttpCheck(folder, settings.http, toml.lines, findings).run()
    return settings, toml.lines


def _examine_register(raw: bytes | None, findings: Findings) -> list[Draft]:
    if raw is None:
        return []
    drafts = read_drafts(raw, findings)
    check_rows(drafts, findings)
    return drafts


def _mqtt(folder: Path, table: MqttTable) -> MqttSettings:
    def place(text: str | None) -> Path | None:
        return file_of(folder, text) if text else None

    return MqttSettings(
        host=table.host,
        client_id=table.client_id,
        sources=tuple(_source(s) for s in table.source),
        port=table.port,
        protocol=5 if table.protocol == "5" else 311,
        keepalive_s=table.keepalive_s,
        session_expiry_s=table.session_expiry_s,
        username=table.username,
        password_file=place(table.password_file),
        tls=table.tls,
        ca_file=place(table.ca_file),
        cert_file=place(table.cert_file),
        key_file=place(table.key_file),
        receive_maximum=table.receive_maximum,
        queue_mb=table.queue_mb,
        connect_timeout_s=table.connect_timeout_s,
        sparkplug_host=table.sparkplug_host,
    )


def _source(table: SourceSettings) -> MqttSource:
    """The source as the decoder wants it; what is not written keeps the decoder's own default."""
    given = {"name_template": table.name, "value_pointer": table.value, "time_pointer": table.time}
    chosen = {key: text for key, text in given.items() if text is not None}
    return MqttSource(table.filter, table.qos, table.format, unit=table.unit or "", **chosen)
