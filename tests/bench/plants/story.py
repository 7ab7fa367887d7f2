"""The story of one group: what happened, what was said, and a picture of both."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rivals.floors import floors_of

from .group import GroupRun
from .plant import START_US
from .score import Raised, score
from .truth import BIN_S

DAY_S = 86400.0


def tell(console: Console, run: GroupRun, seed: int, alarms: list[Raised], method: str) -> None:
    """Print the group, its leaks and faults, every alarm and how it was scored."""
    spec = run.spec
    console.print(
        f"[bold]group {seed}:{run.index}[/bold], {spec.width} channels, every {set(spec.cadence_s)} s"
    )
    for i, c in enumerate(run.channels):
        loss = "" if i == 0 else f"{run.truth.loss_db[i - 1, i]:.1f} dB from the previous"
        tag = f"position {'known' if spec.known.position[i] else 'not known'}" if c.valve else "reference"
        console.print(f"  {i} {c.subject:8s} {spec.sound.background_db[i]:5.1f} dB  {tag:20s} {loss}")
    for leak in run.truth.leaks:
        passes = leak.passes_at(False)
        when = f"stands from day {passes / DAY_S:.3f}" if passes is not None else "never stands for two hours"
        console.print(
            f"leak on {leak.channel}: day {leak.start_s / DAY_S:.3f} to {leak.end_s / DAY_S:.3f}, "
            f"{leak.peak_db:.1f} dB, grows over {leak.ramp_s / 3600:.1f} h, {when}"
        )
    for f in run.truth.faults:
        console.print(
            f"sensor {f.channel} {f.kind} ({f.detail}): day {f.start_s / DAY_S:.3f} to {f.end_s / DAY_S:.3f}"
        )
    for a in alarms:
        margin = "" if a.margin_db is None else f", margin {a.margin_db:.1f} dB"
        when = f"day {a.raised_s / DAY_S:.3f} to {a.cleared_s / DAY_S:.3f}"
        console.print(f"{a.kind} on {a.channel}: {when}, {a.reason}{margin}")
    for r in score(run, seed, method, alarms):
        console.print(f"  {r.outcome}: channel {r.channel}, day {r.at_s / DAY_S:.3f}, {r.cause} {r.facts}")


def draw(run: GroupRun, alarms: list[Raised], ticks: list[Any], path: Path) -> None:
    """Floors, rises, verdicts and events over the days of the run."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    floors = floors_of(run)
    days = np.arange(len(floors.level_db)) * BIN_S / DAY_S
    figure, (top, middle, strip, events) = plt.subplots(4, 1, figsize=(22, 16), sharex=True)
    for i in range(run.spec.width):
        kind = "-" if floors.valve[i] else ":"
        top.plot(
            days, floors.level_db[:, i], kind, lw=0.7, color=f"C{i}", label=f"{i} {run.channels[i].subject}"
        )
        middle.plot(days, floors.rise_db[:, i], kind, lw=0.7, color=f"C{i}")
    top.legend(loc="upper left", ncol=6, fontsize=8)
    top.set_ylabel("floor, dB")
    middle.set_ylabel("rise over learning median, dB")
    _draw_truth(run, middle, events)
    _draw_alarms(alarms, middle)
    _draw_verdicts(run, ticks, strip)
    figure.tight_layout()
    figure.savefig(path, dpi=80)


def _draw_truth(run: GroupRun, middle: Any, events: Any) -> None:
    for leak in run.truth.leaks:
        middle.axvspan(leak.start_s / DAY_S, leak.end_s / DAY_S, color=f"C{leak.channel}", alpha=0.15)
        days = np.arange(len(leak.stand_db)) * BIN_S / DAY_S
        middle.plot(
            days, np.where(leak.stand_db > 0, leak.stand_db, np.nan), "--", color=f"C{leak.channel}", lw=1
        )
    rows: dict[str, int] = {}
    spans = [(e.kind, e.start_s, e.end_s) for e in run.truth.events]
    spans += [(f"sensor {f.channel} {f.kind}", f.start_s, f.end_s) for f in run.truth.faults]
    for kind, start, end in spans:
        row = rows.setdefault(kind, len(rows))
        events.barh(
            row, (end - start) / DAY_S, left=start / DAY_S, height=0.6, color=f"C{row}", edgecolor="k", lw=0.3
        )
    events.set_yticks(range(len(rows)), list(rows))
    events.set_xlabel("days")


def _draw_alarms(alarms: list[Raised], middle: Any) -> None:
    marks = {"passing": "v", "contested": "x", "sensor-fault": "s"}
    for a in alarms:
        middle.plot(a.raised_s / DAY_S, 30.0 + a.channel * 0.5, marks.get(a.kind, "o"), color=f"C{a.channel}")


def _draw_verdicts(run: GroupRun, ticks: list[Any], strip: Any) -> None:
    """One row a channel, one colour a verdict."""
    strip.set_ylabel("verdict by channel")
    if not ticks:
        return
    days = [(t.at_us - START_US) / 1e6 / DAY_S for t in ticks]
    codes = np.array([t.verdict for t in ticks]).T
    image = strip.pcolormesh(
        days, np.arange(run.spec.width), codes, cmap="tab10", vmin=-0.5, vmax=9.5, shading="nearest"
    )
    names = ["quiet", "passing", "spill", "contested", "outside noise", "unsettled", "not testable"]
    handles = [
        strip.plot([], [], "s", color=image.cmap(image.norm(k)), label=n)[0] for k, n in enumerate(names)
    ]
    strip.legend(handles=handles, loc="upper left", ncol=7, fontsize=8)
