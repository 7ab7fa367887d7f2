"""What settings must not say together, though each is fine alone."""

from __future__ import annotations

from hissmark.decode.names import NameTemplate
from hissmark.decode.pointer import Pointer
from hissmark.decode.sparkplug_payload import NAMESPACE
from hissmark.decode.topics import check_filter, matches, topic_part
from hissmark.engine.settings import CoreSettings
from hissmark.ingest.settings import is_sparkplug_id
from hissmark.site.loopback import is_loopback
from hissmark.site.problems import Findings
from hissmark.site.settings import MqttTable, SiteSettings, SourceSettings
from hissmark.site.toml_lines import Path, TomlLines


class SettingsCheck:
    """Checks sound settings against each other; `lines` gives every problem its place."""

    def __init__(self, settings: SiteSettings, lines: TomlLines, findings: Findings) -> None:
        self.settings = settings
        self.lines = lines
        self.findings = findings

    def run(self) -> None:
        """Report all that does not go together."""
        self._check_times(self.settings.core)
        if self.settings.mqtt is None:
            self._warn(
                ("mqtt",),
                "there is no [mqtt] table: `replay` works, `run` does not.",
                "Add [mqtt] with host and client_id.",
            )
        else:
            self._check_mqtt(self.settings.mqtt)
        self._check_condition_names()

    def _say(self, path: Path, message: str, fix: str) -> None:
        self.findings.error(self.lines.of(path), _dotted(path), message, fix)

    def _warn(self, path: Path, message: str, fix: str) -> None:
        self.findings.warning(self.lines.of(path), _dotted(path), message, fix)

    # Times of the computation.

    def _check_times(self, core: CoreSettings) -> None:
        s, b, a = core.signal, core.baseline, core.alarms
        self._divides("slot_s", s.slot_s, "tick_s", s.tick_s)
        self._divides("tick_s", s.tick_s, "window_s", s.window_s)
        if s.stale_s <= s.tick_s:
            fix = "Make it longer than tick_s, or every gap between two ticks counts as silence."
            self._say(("signal", "stale_s"), f"{s.stale_s} s is not longer than tick_s ({s.tick_s} s).", fix)
        if s.patience_s < s.lateness_s:
            fix = "Make patience_s at least lateness_s: a channel may be that late without lagging behind."
            message = f"patience_s = {s.patience_s} s is shorter than lateness_s = {s.lateness_s} s."
            self._say(self._written("signal", "patience_s", "lateness_s"), message, fix)
        if b.follow_s < b.learn_s:
            fix = "Make it longer than learn_s, or a baseline forgets faster than it learns."
            self._warn(
                ("baseline", "follow_s"), f"{b.follow_s} s is shorter than learn_s ({b.learn_s} s).", fix
            )
        if 0 < b.learn_s < s.window_s:
            message = f"{b.learn_s} s is shorter than signal.window_s ({s.window_s} s)."
            self._warn(("baseline", "learn_s"), message, "Make it at least one window.")
        self._check_deadband(core)
        if a.max_shelve_s < a.on_delay_s:
            fix = "Make it longer, or shelving ends before an alarm can come back."
            self._say(
                ("alarms", "max_shelve_s"),
                f"{a.max_shelve_s} s is shorter than on_delay_s ({a.on_delay_s} s).",
                fix,
            )

    def _divides(self, inner: str, inner_s: int, outer: str, outer_s: int) -> None:
        if outer_s % inner_s:
            message = f"{inner} = {inner_s} s does not divide {outer} = {outer_s} s."
            self._say(
                self._written("signal", inner, outer), message, f"Choose {outer} as a multiple of {inner}."
            )

    def _check_deadband(self, core: CoreSettings) -> None:
        limit, deadband = core.judge.rise_limit_db, core.alarms.deadband_db
        if deadband >= limit:
            message = (
                f"{deadband:g} dB is not below judge.rise_limit_db ({limit:g} dB): no alarm would clear."
            )
            path: Path = ("alarms", "deadband_db")
            if self.lines.of(path) in (None, self.lines.of(("alarms",))):
                path = ("judge", "rise_limit_db")
            self._say(path, message, "Choose a smaller deadband or a higher limit.")

    def _written(self, table: str, *names: str) -> Path:
        """Of several settings that clash, the first that stands in the file: the one the writer changed."""
        around = self.lines.of((table,))
        return next(
            ((table, n) for n in names if self.lines.of((table, n)) not in (None, around)), (table, names[0])
        )

    # Broker.

    def _check_mqtt(self, mqtt: MqttTable) -> None:
        if not mqtt.source:
            self._say(
                ("mqtt",), "there is no [[mqtt.source]]: nothing would be received.", "Add one with a filter."
            )
        for key, other in (
            ("password_file", "username"),
            ("cert_file", "key_file"),
            ("key_file", "cert_file"),
        ):
            if getattr(mqtt, key) and not getattr(mqtt, other):
                self._say(("mqtt", key), f"is given without {other}.", f"Add {other}.")
        secure = mqtt.tls or mqtt.ca_file
        if mqtt.password_file and not secure and not is_loopback(mqtt.host):
            self._warn(
                ("mqtt", "password_file"),
                "the password crosses the network unencrypted.",
                "Set ca_file or tls = true.",
            )
        if mqtt.cert_file and not secure:
            self._say(
                ("mqtt", "cert_file"),
                "a client certificate needs an encrypted connection.",
                "Set ca_file or tls = true.",
            )
        self._check_filters(mqtt)
        self._check_own_topics(mqtt)
        for i, source in enumerate(mqtt.source):
            self._check_source(("mqtt", "source", i), source)

    def _check_filters(self, mqtt: MqttTable) -> None:
        first: dict[str, int] = {}
        for i, source in enumerate(mqtt.source):
            path: Path = ("mqtt", "source", i, "filter")
            earlier = first.setdefault(source.filter, i)
            if earlier != i:
                line = self.lines.of(("mqtt", "source", earlier, "filter"))
                self._say(
                    path, f"{source.filter!r} is already in line {line}.", "Keep one of the two sources."
                )
            try:
                check_filter(source.filter)
            except ValueError as slip:
                self._say(
                    path,
                    _without_field(slip),
                    "A '+' stands for one level, '#' for all that follow, at the end.",
                )

    def _check_own_topics(self, mqtt: MqttTable) -> None:
        """What we publish must not come back as what we receive."""
        out = self.settings.publish
        if not out.enabled:
            return
        group, _, node = out.sparkplug.partition("/")
        ours = [f"{out.prefix}/{kind}/x" for kind in ("valve", "senml")]
        ours += [f"{NAMESPACE}/{group}/NDATA/{node}"] if node else []
        for i, source in enumerate(mqtt.source):
            for topic in ours:
                if matches(source.filter, topic):
                    message = f"takes {topic!r}, which [publish] sends: we would read what we publish."
                    path: Path = ("mqtt", "source", i, "filter")
                    self._say(path, message, "Narrow the filter, or choose another prefix in [publish].")

    def _check_source(self, path: Path, source: SourceSettings) -> None:
        if source.format != "json":
            for key in ("name", "value", "time", "unit"):
                if getattr(source, key) is not None:
                    fix = 'Remove it, or set format = "json".'
                    message = f'has no meaning with format = "{source.format}": the payload says it itself.'
                    self._say((*path, key), message, fix)
            if source.format == "sparkplug":
                self._check_sparkplug(path, source)
            return
        for key in ("value", "time"):
            text = getattr(source, key)
            try:
                Pointer.parse(text or "", key)
            except ValueError as slip:
                self._say(
                    (*path, key), _without_field(slip), 'Write for instance "/value" or "/data/0/level".'
                )
        if source.name is not None:
            self._check_template((*path, "name"), source.name, source.filter)

    def _check_sparkplug(self, path: Path, source: SourceSettings) -> None:
        if not topic_part(source.filter).startswith(f"{NAMESPACE}/"):
            self._say(
                (*path, "filter"),
                f"{source.filter!r} is no Sparkplug B topic.",
                "Write for instance spBv1.0/north/#.",
            )
        host = self.settings.mqtt.sparkplug_host if self.settings.mqtt else None
        if not is_sparkplug_id(host or ""):
            self._say(
                ("mqtt", "sparkplug_host"),
                "is missing or holds one of + # /: edge nodes would not know whether this host is there.",
                'Give the name under which it shows itself, e.g. "hissmark-north".',
            )

    def _check_template(self, path: Path, text: str, topics: str) -> None:
        try:
            template = NameTemplate.parse(text)
        except ValueError as slip:
            self._say(path, _without_field(slip), "Topic levels count from 0: {1} is the second.")
            return
        levels = topic_part(topics).split("/")
        beyond = [n for n in template.levels if n >= len(levels)]
        if beyond and levels[-1] != "#":
            has = f"topics under {topics!r} have only 0 to {len(levels) - 1}"
            message = f"{text!r} uses level {beyond[0]}, but {has}."
            self._say(path, message, "Topic levels count from 0: {1} is the second.")

    # Everything else.

    def _check_condition_names(self) -> None:
        first: dict[str, int] = {}
        for i, rule in enumerate(self.settings.condition):
            earlier = first.setdefault(rule.name, i)
            if earlier != i:
                line = self.lines.of(("condition", earlier, "name"))
                self._say(
                    ("condition", i, "name"),
                    f"{rule.name!r} is already in line {line}.",
                    "Give it another name.",
                )


def _dotted(path: Path) -> str:
    return ".".join(part for part in path if isinstance(part, str))


def _without_field(slip: ValueError) -> str:
    """The message of a check of the core, without the field's name in front, as a sentence."""
    text = str(slip)
    head, _, rest = text.partition(": ")
    message = rest if head.isidentifier() else text
    return message if message.endswith(".") else message + "."
