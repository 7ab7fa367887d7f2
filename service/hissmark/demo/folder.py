"""Writes the site folder of the invented works: site.toml and register.csv, as a person would."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

from hissmark.demo.works import COMPRESSOR, PUMP, SITE_NAME, STRETCHES, Fitting, Stretch

TOPICS = "tarnwick"
CLIENT_ID = "hissmark-demo"

_SETTINGS = """\
# Site of `hissmark demo`: invented, with an embedded broker that lives as long as the demo.
name = "{name}"

[mqtt]
host = "127.0.0.1"
port = {mqtt_port}
client_id = "{client_id}"
protocol = "3.1.1"            # all that the embedded broker speaks

[[mqtt.source]]
filter = "{topics}/+/levels"
format = "senml"

[[mqtt.source]]
filter = "{topics}/+/process"
format = "senml"

[http]
host = "127.0.0.1"
port = {http_port}

[store]
url = "sqlite:///data/hissmark.db"

[baseline]
learn_s = 14400               # 4 h in each operating condition: the demo cannot wait for a day
learn_windows = 24

[[condition]]
name = "compressor running"
when = "{compressor} > 0.5"
groups = {compressor_groups}

[[condition]]
name = "brine pump running"
when = "{pump} > 0.5"
groups = {pump_groups}
"""

_COLUMNS = (
    "channel", "kind", "valve", "group", "position", "distance_m", "joints", "closed_when",
    "upstream_pressure", "downstream_pressure", "service", "size_mm", "valve_type", "consequence",
)  # fmt: skip


def write_site(folder: Path, mqtt_port: int, http_port: int) -> None:
    """Create the folder's two files; what is there already is overwritten."""
    folder.mkdir(parents=True, exist_ok=True)
    text = _SETTINGS.format(
        name=SITE_NAME,
        mqtt_port=mqtt_port,
        client_id=CLIENT_ID,
        topics=TOPICS,
        http_port=http_port,
        compressor=COMPRESSOR,
        compressor_groups=_groups_with(COMPRESSOR),
        pump=PUMP,
        pump_groups=_groups_with(PUMP),
    )
    (folder / "site.toml").write_text(text, encoding="utf-8")
    with (folder / "register.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, _COLUMNS, lineterminator="\n")
        writer.writeheader()
        for stretch in STRETCHES:
            writer.writerows(_rows(stretch))


def _groups_with(condition: str) -> str:
    """A TOML list of the groups that hear this machine."""
    return "[" + ", ".join(f'"{s.group}"' for s in STRETCHES if s.condition == condition) + "]"


def _rows(stretch: Stretch) -> Iterator[dict[str, object]]:
    for position, fitting in enumerate(stretch.fittings, start=1):
        row: dict[str, object] = {
            "channel": fitting.channel,
            "kind": "reference" if fitting.valve is None else "valve",
            "valve": fitting.valve or "",
            "group": stretch.group,
            "position": position,
        }
        if position > 1:
            row |= {"distance_m": fitting.distance_m, "joints": fitting.joints}
        yield row | (_of_valve(stretch, fitting) if fitting.valve else {})


def _of_valve(stretch: Stretch, fitting: Fitting) -> dict[str, object]:
    tag = fitting.position_tag
    return {
        "closed_when": f"{tag} < 2" if tag else "",
        "upstream_pressure": stretch.upstream_tag,
        "downstream_pressure": stretch.downstream_tag,
        "service": stretch.service,
        "size_mm": stretch.size_mm,
        "valve_type": stretch.valve_type,
        "consequence": stretch.consequence,
    }
