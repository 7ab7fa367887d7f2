"""A site with twelve hours on record, to try settings on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hissmark.alarms.journal import JournalEntry
from hissmark.engine.change import Level, settings_change
from hissmark.engine.register import Register
from hissmark.publish.times import rfc3339
from hissmark.site.load import Site, load_site
from hissmark.tune.shares import carry_out
from support.recorded import recording, write_site
from support.rig import START_US, US

HOUR_S = 3600.0
QUIET = {f"AE-{i}": 24.0 + i for i in range(1, 6)}
LEAK = QUIET | {"AE-1": 38.0, "AE-2": 30.0, "AE-3": 31.0, "AE-4": 27.0}
"""XV-1 over its background of 25 dB, its neighbours with what they hear of it."""
DOUBTFUL = QUIET | {"AE-5": 34.0}


@dataclass
class Past:
    """A site whose store holds twelve hours, as the service would have left them."""

    folder: Path
    site: Site
    journal: list[JournalEntry]

    def ask(self, **more: Any) -> dict[str, Any]:
        request = {"from": at(1.6), "to": at(12.0), "before_days": 1.0, "valves": []} | more
        return carry_out(self.site, request, lambda share: None, 1)

    def alarms(self, result: dict[str, Any], side: str = "would") -> list[tuple[str, str, str]]:
        return [(e["valve"], e["alarm"], e["raised"]) for e in result[side]]


def at(hours: float) -> str:
    return rfc3339(START_US + int(hours * HOUR_S * US))


def lived_past(folder: Path) -> Past:
    """Twelve hours: XV-1 leaks twice, XV-5 is heard doubtfully in between and has a limit of its own."""
    write_site(folder)
    with recording(folder) as rig:
        rig.run(1.6 * HOUR_S, QUIET, {"ZT-1": 0.5})
        rig.run(2.0 * HOUR_S, LEAK, {"ZT-1": 0.5})
        rig.run(2.0 * HOUR_S, QUIET, {"ZT-1": 0.5})
        rig.change(settings_change(Level.VALVE, "XV-5", {"rise_limit_db": 5.0}, "ms", "hears too little"))
        rig.run(2.0 * HOUR_S, DOUBTFUL, {"ZT-1": 0.5})
        rig.run(2.0 * HOUR_S, QUIET, {"ZT-1": 0.5})
        rig.run(2.5 * HOUR_S, LEAK, {"ZT-1": 0.5})
        with rig.writer.transaction() as tx:
            tx.journal(rig.journal)
        rig.save()
    return Past(folder, load_site(folder), rig.journal)


def lived_past_across_registers(folder: Path) -> Past:
    """Eleven hours: XV-1 leaks twice; between, XV-2 gets another sensor, and while it leaks again a valve is
    added. A setting of a valve that is not there yet at first is changed as well."""
    write_site(folder)
    with recording(folder) as rig:
        rows = list(rig.layout.register.channels)
        rig.run(1.6 * HOUR_S, QUIET, {"ZT-1": 0.5})
        rig.run(1.5 * HOUR_S, LEAK, {"ZT-1": 0.5})
        rig.run(1.5 * HOUR_S, QUIET, {"ZT-1": 0.5})
        rows = [replace(c, name="AE-12", source="AE-12") if c.valve == "XV-2" else c for c in rows]
        rig.go_on_under(Register.of(rows), folder)
        rig.run(2.5 * HOUR_S, _with_the_new(QUIET), {"ZT-1": 0.5})
        rig.run(1.0 * HOUR_S, _with_the_new(LEAK), {"ZT-1": 0.5})
        rows.append(replace(rows[-1], name="AE-6", source="AE-6", valve="XV-6", position=5))
        rig.go_on_under(Register.of(rows), folder)
        rig.run(0.5 * HOUR_S, _with_the_new(LEAK) | {"AE-6": 22.0}, {"ZT-1": 0.5})
        rig.change(settings_change(Level.VALVE, "XV-6", {"rise_limit_db": 5.0}, "ms", "hears too little"))
        rig.run(2.4 * HOUR_S, _with_the_new(QUIET) | {"AE-6": 22.0}, {"ZT-1": 0.5})
        with rig.writer.transaction() as tx:
            tx.journal(rig.journal)
        rig.save()
    return Past(folder, load_site(folder), rig.journal)


def _with_the_new(levels: dict[str, float]) -> dict[str, float]:
    """AE-12 hears what AE-2 did, a little less of it."""
    return {"AE-12" if name == "AE-2" else name: level for name, level in levels.items()}
