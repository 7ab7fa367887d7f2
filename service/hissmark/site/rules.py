"""Operating conditions, suppression and notifications against the register: does what they name exist?"""

from __future__ import annotations

from collections.abc import Iterable

from hissmark.engine.register import Condition
from hissmark.site.problems import Findings, did_you_mean
from hissmark.site.register import FILE, Draft
from hissmark.site.settings import SiteSettings
from hissmark.site.toml_lines import Path, TomlLines


def check_rules(settings: SiteSettings, lines: TomlLines, drafts: list[Draft], findings: Findings) -> None:
    """Report every rule that names a group, valve or tag that is not there, or a level for a tag."""
    _Rules(lines, drafts, findings).check(settings)


class _Rules:
    def __init__(self, lines: TomlLines, drafts: list[Draft], findings: Findings) -> None:
        self.lines = lines
        self.findings = findings
        self.known = bool(drafts)
        self.groups = {d.text("group") for d in drafts}
        self.subjects = {d.text("valve") or d.text("channel") for d in drafts}
        self.sources = {d.source: d for d in reversed(drafts)}

    def check(self, settings: SiteSettings) -> None:
        for i, condition in enumerate(settings.condition):
            self._groups(("condition", i, "groups"), condition.groups)
            self._when(("condition", i, "when"), condition.when)
        for i, rule in enumerate(settings.suppress):
            self._groups(("suppress", i, "groups"), rule.groups)
            self._valves(("suppress", i, "valves"), rule.valves)
            self._when(("suppress", i, "when"), rule.when)
        limits = settings.alarms.priority
        if limits.severe_db <= limits.clear_db:
            message = f"{limits.severe_db:g} dB is not above clear_db ({limits.clear_db:g} dB)."
            self._say(("alarms", "priority", "severe_db"), message, "Choose a higher rise for severe.")

    def _groups(self, path: Path, names: Iterable[str]) -> None:
        for name in names:
            if self.known and name not in self.groups:
                listed = f"Groups are: {', '.join(sorted(g for g in self.groups if g))}."
                fix = did_you_mean(name, self.groups) or listed
                self._say(path, f"group {name!r} is not in {FILE}.", fix)

    def _valves(self, path: Path, names: Iterable[str]) -> None:
        for name in names:
            if self.known and name not in self.subjects:
                fix = did_you_mean(name, self.subjects) or "Write the valve's tag as the register has it."
                self._say(path, f"valve {name!r} is not in {FILE}.", fix)

    def _when(self, path: Path, text: str) -> None:
        try:
            tag = Condition.parse(text).tag
        except ValueError as slip:
            self._say(path, f"{slip}.", "Write for instance: K-101 > 50")
            return
        if tag in self.sources:
            place = f"line {self.sources[tag].line} of {FILE}"
            message = f"{tag!r} is the level of a channel ({place}), not a process value."
            self._say(path, message, "Name the tag of the process value.")

    def _say(self, path: Path, message: str, fix: str) -> None:
        field = ".".join(part for part in path if isinstance(part, str))
        self.findings.error(self.lines.of(path), field, message, fix)
