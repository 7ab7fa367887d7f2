"""`hissmark run` and `hissmark demo`: the service, on a real plant or an invented one."""

from __future__ import annotations

import gc
import signal
from pathlib import Path
from typing import Annotated

import typer

from hissmark.cli.options import SiteFolder

_RUN_EPILOG = """\b
Examples:
  hissmark run north
  systemctl start hissmark@north        the same as a system service

The page, the API and /metrics are under the address in [http] of site.toml (http://127.0.0.1:8470 by
default). SIGTERM or Ctrl-C stops cleanly: what was received is stored, the rest stays with the broker
until the next start."""

_DEMO_EPILOG = """\b
Examples:
  hissmark demo
  hissmark demo --port 9000 --seed 7    another plant, another leak
  hissmark demo --speed 1               in real time

Needs neither broker nor database. A valve starts leaking within a minute; later it is repaired."""


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command("demo", short_help="Watch it work on an invented plant with a leak.", epilog=_DEMO_EPILOG)(
        demo
    )
    app.command("run", short_help="Listen to a site: the service itself.", epilog=_RUN_EPILOG)(run)


def run(site: SiteFolder) -> None:
    """Listen to a site until told to stop: the service itself."""
    # What follows takes seconds to load on a busy machine; nothing is held yet, so to stop is simply to end.
    signal.signal(signal.SIGTERM, _end)
    gc.disable()  # nothing becomes garbage until the service stands; looking for it is a sixth of the start
    from hissmark.site import load_site

    loaded = load_site(site)
    _ = loaded.mqtt  # a site without a broker is refused before anything is started
    from hissmark import daemon

    raise typer.Exit(daemon.run(loaded) or 0)


def _end(*_: object) -> None:
    raise SystemExit(0)


def demo(
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 8470,
    seed: Annotated[
        int, typer.Option(help="Which invented plant and which leak: the same seed, the same story.")
    ] = 1,
    speed: Annotated[
        float, typer.Option(min=0.1, max=3600, help="How many times faster than real time the plant lives.")
    ] = 60.0,
    folder: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Keep the plant's site there, for the other commands to read."),
    ] = None,
    open_page: Annotated[
        bool, typer.Option("--open/--no-open", help="Show the page in a browser, if there is one.")
    ] = True,
) -> None:
    """Watch it work on an invented plant with a leak; prints the page's address, Ctrl-C stops everything."""
    from hissmark import demo as show

    raise typer.Exit(show.run(port=port, seed=seed, speed=speed, folder=folder, open_page=open_page) or 0)
