"""What engineers have tuned beyond the site's file, for whoever looks after the file."""

from __future__ import annotations

from hissmark.cli.opened import Opened
from hissmark.engine.layout import Layout
from hissmark.engine.ranges import unit_of
from hissmark.engine.tuned import default_of
from hissmark.publish.times import rfc3339
from hissmark.tune import versions as v


def tuned_beyond(site: Opened) -> list[str]:
    """A line for each value tuned in the store: level, what site.toml says, who set it when and why."""
    values = v.values_after(site.reader, 2**62)
    if not values:
        return []
    layout = Layout.of(site.site.register, site.site.core)
    known = {*layout.group_names, *(n for c in layout.channels for n in (c.name, c.subject)), ""}
    set_by = {
        (str(row.change.payload["level"]), row.change.subject, name): row
        for row in v.settings_rows(site.reader)
        for name in row.change.payload["values"]
    }
    lines = ["Tuned beyond site.toml (what is tuned wins; `hissmark tune SITE export` writes it as TOML):"]
    for step in v.steps({}, values):
        row = set_by[step.level, step.subject, step.setting]
        said = f"version {row.id}, {row.change.operator}, {rfc3339(row.requested_us)}: {row.change.reason}"
        gone = "" if step.subject in known else "; not in the register, counts for nothing"
        lines.append(f"  {_words(step, layout)} ({said}{gone})")
    return lines


def _words(step: v.Step, layout: Layout) -> str:
    place, unit = f"{step.level} {step.subject}".rstrip(), unit_of(step.setting)
    file = default_of(layout.settings, step.setting)
    instead = "as site.toml has it too" if step.after == file else f"instead of {file:g}{unit}"
    return f"{place}: {step.setting} {step.after:g}{unit} {instead}"
