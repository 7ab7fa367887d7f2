"""`hissmark watch`: alarms and skylines live in a terminal."""

from __future__ import annotations

import select
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.options import SiteFolder

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from hissmark.cli.view import Watcher

_EPILOG = """\b
Examples:
  hissmark watch north              live; q quits
  hissmark watch north --once       one look, for a file or a pipe

Reads the store, so it works beside a running service, also over ssh. Alarms show within a second of being
recorded; levels are those of the last saved judgement, at most half a minute older. What is older than it
should be is struck through and says its age."""

EVERY_S = 1.0


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("watch", epilog=_EPILOG)(watch)


def watch(
    site: SiteFolder, once: Annotated[bool, typer.Option("--once", help="Print one look and stop.")] = False
) -> None:
    """Show alarms and groups live in the terminal."""
    from hissmark.cli.opened import opened
    from hissmark.cli.output import console
    from hissmark.cli.view import Watcher

    with opened(site) as open_site:
        watcher = Watcher(open_site)
        out = console()
        if once or not sys.stdout.isatty():
            _put(out, watcher)
        else:
            _live(out, watcher)


def _put(out: Console, watcher: Watcher) -> None:
    """One frame without the blanks that pad its lines."""
    from hissmark.cli.view import frame

    with out.capture() as caught:
        out.print(frame(watcher.look(), out.width, 10_000))
    sys.stdout.write("\n".join(line.rstrip() for line in caught.get().splitlines()) + "\n")


def _live(out: Console, watcher: Watcher) -> None:
    """A frame a second until q."""
    from rich.live import Live

    with (
        _keys() as quits,
        Live(console=out, screen=True, auto_refresh=False, vertical_overflow="crop") as live,
    ):
        while True:
            live.update(_frame(out, watcher), refresh=True)
            if quits(EVERY_S):
                return


def _frame(out: Console, watcher: Watcher) -> RenderableType:
    """The frame, or why there is none: a store that is away for a moment ends nothing."""
    from rich.text import Text

    from hissmark.cli.view import frame
    from hissmark.store.errors import StoreError

    try:
        return frame(watcher.look(), out.width, out.height)
    except StoreError as error:
        return Text(f"NOTHING CAN BE SHOWN: {error}\n\nTrying again. q quits.", style="bold")


@contextmanager
def _keys() -> Iterator[Callable[[float], bool]]:
    """Waits so many seconds; True once q is pressed or nobody can press any more. Keys are not echoed."""
    import termios
    import tty

    if not sys.stdin.isatty():
        yield lambda wait_s: _sleep(wait_s)
        return
    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    tty.setcbreak(number)
    try:
        yield lambda wait_s: _pressed(number, wait_s)
    except KeyboardInterrupt:
        pass
    finally:
        termios.tcsetattr(number, termios.TCSADRAIN, before)


def _pressed(number: int, wait_s: float) -> bool:
    import os

    ready, _, _ = select.select([number], [], [], wait_s)
    if not ready:
        return False
    keys = os.read(number, 64)
    return not keys or b"q" in keys.lower()


def _sleep(wait_s: float) -> bool:
    import time

    time.sleep(wait_s)
    return False
