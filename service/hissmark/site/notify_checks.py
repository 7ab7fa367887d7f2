"""What receivers of notifications must not say: names twice, addresses and files that cannot be used."""

from __future__ import annotations

from pathlib import Path as FilePath
from urllib.parse import urlsplit

from hissmark.decode.topics import topic_part
from hissmark.notify.quiet import parse, zone_of
from hissmark.notify.topics import check_topic, topic_of
from hissmark.site.files import file_of
from hissmark.site.notify_settings import (
    AlertmanagerTable,
    EmailTable,
    MqttReceiverTable,
    ReceiverTable,
    WebhookTable,
)
from hissmark.site.problems import Findings, did_you_mean
from hissmark.site.register import FILE, Draft
from hissmark.site.settings import SiteSettings
from hissmark.site.toml_lines import Path, TomlLines

_FILES = ("secret_file", "password_file", "ca_file")


class NotifyCheck:
    """Checks the receivers one by one and against each other."""

    def __init__(
        self,
        folder: FilePath,
        settings: SiteSettings,
        lines: TomlLines,
        drafts: list[Draft],
        findings: Findings,
    ) -> None:
        self.folder, self.settings, self.lines, self.findings = folder, settings, lines, findings
        self.groups = {d.text("group") for d in drafts}
        self.table = settings.notify

    def run(self) -> None:
        """Report all that would keep a receiver from being told."""
        try:
            zone_of(self.table.time_zone)
        except ValueError as slip:
            self._say(
                ("notify", "time_zone"),
                f"{slip}.",
                "Write for instance Europe/Oslo, or UTC (zones other than UTC need the package tzdata).",
            )
        if self.table.page is not None:
            self._check_url(("notify", "page"), self.table.page)
        first: dict[str, int | None] = {}
        for kind, i, receiver in self.table.receivers:
            path: Path = ("notify", kind, i)
            line = self.lines.of((*path, "name"))
            if receiver.name in first:
                message = f"{receiver.name!r} is already in line {first[receiver.name]}."
                self._say((*path, "name"), message, "Give it another name: the outbox goes by it.")
            first.setdefault(receiver.name, line)
            self._check_receiver(path, receiver)
        self._check_report()

    def _check_report(self) -> None:
        """A report needs a receiver that takes letters."""
        known = {r.name for _, _, r in self.table.receivers if isinstance(r, EmailTable | WebhookTable)}
        for name in self.settings.report.receivers:
            if name not in known:
                fix = did_you_mean(name, known) or "Name an e-mail or webhook receiver of [notify]."
                self._say(("report", "receivers"), f"{name!r} is no receiver that takes reports.", fix)

    def _check_receiver(self, path: Path, receiver: ReceiverTable) -> None:
        for text in receiver.quiet:
            try:
                parse(text)
            except ValueError as slip:
                self._say((*path, "quiet"), f"{slip}.", 'Write for instance: quiet = ["22:00-06:00"]')
        for group in receiver.groups:
            if self.groups and group not in self.groups:
                fix = did_you_mean(group, self.groups) or "Write the group as the register has it."
                self._say((*path, "groups"), f"group {group!r} is not in {FILE}.", fix)
        for key in _FILES:
            file = getattr(receiver, key, None)
            if file is not None:
                self._check_file((*path, key), file)
        match receiver:
            case WebhookTable() | AlertmanagerTable():
                self._check_url((*path, "url"), receiver.url)
            case EmailTable():
                self._check_email(path, receiver)
            case MqttReceiverTable():
                self._check_topic((*path, "topic"), receiver.topic)
        if isinstance(receiver, AlertmanagerTable) and receiver.hold_s <= 2 * receiver.resend_s:
            message = f"{receiver.hold_s} s is not longer than two times resend_s."
            self._say((*path, "hold_s"), message, "Make it much longer, or alerts end between two messages.")

    def _check_email(self, path: Path, receiver: EmailTable) -> None:
        for key, texts in (("sender", (receiver.sender,)), ("to", receiver.to)):
            for text in texts:
                if "@" not in text.strip("@") or any(c.isspace() for c in text):
                    self._say(
                        (*path, key), f"{text!r} is not an address.", "Write it like name@north.example."
                    )
        if bool(receiver.username) != bool(receiver.password_file):
            given, other = (
                ("username", "password_file") if receiver.username else ("password_file", "username")
            )
            self._say((*path, given), f"is given without {other}.", f"Add {other}.")
        if receiver.password_file and receiver.tls == "none":
            message = "the password crosses the network unencrypted."
            self._say((*path, "tls"), message, 'Set tls = "starttls" or "tls".')

    def _check_url(self, path: Path, text: str) -> None:
        try:
            parts = urlsplit(text)
            usable = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
        except ValueError:
            usable = False
        if not usable:
            self._say(path, f"{text!r} is not an address.", "Write it like https://host.example/path.")
        elif parts.username or parts.password:
            self._say(path, "holds a password.", "Secrets do not belong here: use a file for them.")

    def _check_topic(self, path: Path, template: str) -> None:
        try:
            check_topic(template)
        except ValueError as slip:
            self._say(path, f"{slip}.", "Known are {group}, {valve}, {alarm} and {priority}.")
            return
        if self.settings.mqtt is None:
            self._say(path, "there is no [mqtt] table, so no broker to publish to.", "Add [mqtt].")
            return
        shown = topic_of(template, dict.fromkeys(("group", "valve", "alarm", "priority"), "x"))
        for source in self.settings.mqtt.source:
            if _matches(topic_part(source.filter), shown):
                message = (
                    f"its topics fall under the source {source.filter!r}: we would read what we publish."
                )
                self._say(path, message, "Choose a topic that no [[mqtt.source]] listens to.")

    def _check_file(self, path: Path, text: str) -> None:
        try:
            content = file_of(self.folder, text).read_bytes()
        except OSError as slip:
            reason = (slip.strerror or "unknown reason").lower()
            fix = "Give a file that is there; names count from the site folder."
            self._say(path, f"{text!r} cannot be read: {reason}.", fix)
            return
        if not content.strip():
            self._say(path, f"{text!r} is empty.", "Write into it what belongs there.")

    def _say(self, path: Path, message: str, fix: str) -> None:
        field = ".".join(part for part in path if isinstance(part, str))
        self.findings.error(self.lines.of(path), field, message, fix)


def _matches(filter_: str, topic: str) -> bool:
    """Whether an MQTT topic filter takes a topic."""
    wanted, given = filter_.split("/"), topic.split("/")
    for i, part in enumerate(wanted):
        if part == "#":
            return True
        if i >= len(given) or part not in ("+", given[i]):
            return False
    return len(wanted) == len(given)
