"""A site with twelve hours on record, to try settings on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hissmark.alarms.journal import JournalEntry
from hissmark.engine.change import Level, settings_change
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
