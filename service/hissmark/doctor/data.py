"""What arrives and what becomes of it: silent sensors, unknown names, records turned away, what waits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.doctor.finding import Finding, fine, look, some, wrong
from hissmark.engine.layout import LEVEL, PROCESS, Layout
from hissmark.publish.times import age_text
from hissmark.site.load import Site
from hissmark.store.reader import Reader
from hissmark.store.recall import restored_engine

_AREA = "data"
QUIET_S = 900.0
WAITING_US = 60_000_000
CLOCK_LEAD_S = 60.0


def look_at_data(
    site: Site, reader: Reader, now_us: int, channels: list[dict[str, Any]]
) -> Iterator[Finding]:
    """Looks at the newest of everything, never at all samples. `channels`: the latest readings."""
    yield from _newest(reader, now_us)
    yield from _never_heard(site, reader)
    yield from _ill(channels)
    yield from _learning(channels)
    yield from _names(reader)
    yield from _turned_away(reader, now_us)
    yield from _waiting(reader, now_us)


def _newest(reader: Reader, now_us: int) -> Iterator[Finding]:
    extent = reader.sample_extent()
    if extent is None:
        do = "See whether the gateways publish, and on topics that a [[mqtt.source]] listens to."
        yield look(_AREA, "Nothing of a known name has arrived yet.", do)
        return
    age_s = (now_us - extent.last_us) / 1e6
    if age_s < -CLOCK_LEAD_S:
        said = f"The newest sample is from {age_text(-age_s)} ahead of this machine's clock."
        yield look(_AREA, said, "Set the clocks of the gateways and of this machine (NTP).")
    elif age_s > QUIET_S:
        said = f"The newest sample is {age_text(age_s)} old."
        yield look(_AREA, said, "See whether gateways and radio network work.")
    else:
        yield fine(_AREA, f"The newest sample is {age_text(max(age_s, 0.0))} old.")


def _never_heard(site: Site, reader: Reader) -> Iterator[Finding]:
    """By the saved state of the engine, and what has been stored since."""
    layout = Layout.of(site.register, site.core)
    restored = restored_engine(layout, reader)
    if restored is None:
        return
    intake = restored[0].intake
    since = _heard_since(reader, layout, intake.resume_from_us or 0)
    heard = (intake.heard > 0) | np.isin(layout.input_series, since)
    for what, role, do in (
        ("levels", LEVEL, "Correct `source` in register.csv, or see to the sensor."),
        ("process values", PROCESS, "Correct the tag in register.csv, or have its gateway publish it."),
    ):
        mine = layout.input_role == role
        names = {layout.names[s] for s in layout.input_series[mine].tolist()}
        missing = sorted(names - {layout.names[s] for s in layout.input_series[mine & heard].tolist()})
        if missing:
            said = f"{len(missing)} of {len(names)} {what} never arrived: {some(missing)}."
            yield look(_AREA, said, do)
        elif names:
            yield fine(_AREA, f"All {len(names)} {what} of the register have arrived.")


def _heard_since(reader: Reader, layout: Layout, from_us: int) -> npt.NDArray[np.int32]:
    """Series that something was stored of since a moment not long ago."""
    heard = np.zeros(len(layout.names), bool)
    for batch in reader.samples_after(layout.names, from_us):
        heard[batch.series] = True
    return np.flatnonzero(heard).astype(np.int32)


def _ill(channels: list[dict[str, Any]]) -> Iterator[Finding]:
    by_health: dict[str, list[str]] = {}
    for channel in channels:
        if channel["health"] != "well":
            by_health.setdefault(channel["health"], []).append(channel["channel"])
    for health, names in sorted(by_health.items()):
        said = f"{len(names)} sensors are {health}: {some(names)}."
        yield look(_AREA, said, "See the page Sensors for what to do.")
    if channels and not by_health:
        yield fine(_AREA, f"All {len(channels)} sensors are well.")


def _learning(channels: list[dict[str, Any]]) -> Iterator[Finding]:
    learning = [c["channel"] for c in channels if c["baseline_state"] == "learning"]
    if learning:
        said = f"{len(learning)} of {len(channels)} backgrounds are still learning: {some(learning)}."
        do = "Wait for test conditions (closed, pressure difference); see Baselines if it takes days."
        yield look(_AREA, said, do)


def _names(reader: Reader) -> Iterator[Finding]:
    names = [row.name for row in reader.unknown_names(limit=1000)]
    if names:
        said = f"{len(names)} names arrive that are not in the register: {some(names)}."
        yield look(_AREA, said, "Add those that are yours to register.csv.")


def _turned_away(reader: Reader, now_us: int) -> Iterator[Finding]:
    lately = [r for r in reader.rejects(limit=1000) if now_us - r.received_us < 86_400_000_000]
    counts = Counter(r.reason for r in lately if r.reason != "unknown-name")
    if counts:
        said = ", ".join(f"{reason} {count}" for reason, count in counts.most_common())
        do = "See the page Sensors for topics and first bytes, and the manual for what each reason means."
        yield look(_AREA, f"Records were turned away in the last 24 h (of the newest 1,000): {said}.", do)


def _waiting(reader: Reader, now_us: int) -> Iterator[Finding]:
    waiting = [row for row in reader.pending_actions(limit=100) if now_us - row.requested_us > WAITING_US]
    if waiting:
        said = f"{len(waiting)} requests of operators wait for more than a minute."
        yield wrong(_AREA, said, "They are carried out as soon as the service runs.")
