"""`hissmark demo`: starts everything, says what happens in the plant, stops everything on Ctrl-C."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from hissmark.daemon.logs import set_up
from hissmark.daemon.service import Daemon
from hissmark.demo.broker import EmbeddedBroker, free_port
from hissmark.demo.clock import DemoClock
from hissmark.demo.folder import write_site
from hissmark.demo.learning import HISTORY_S, learn
from hissmark.demo.measured import put_on_record
from hissmark.demo.narrator import Narrator
from hissmark.demo.plant import Plant
from hissmark.demo.publisher import Publisher
from hissmark.demo.story import Story
from hissmark.site.load import STORE_URL_VARIABLE, load_site

_SUBSCRIBE_S = 20.0
_WAIT_S = 0.25


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person asked for; see `run`."""

    port: int
    seed: int
    speed: float
    open_page: bool


def run(
    port: int = 0, seed: int = 1, speed: float = 60.0, folder: Path | None = None, open_page: bool = True
) -> int:
    """Run the demo until SIGINT or SIGTERM. Returns 0, or 1 if the service had to give up.

    Args:
        port: of the page; 0 takes a free one.
        speed: how many times faster than real time the plant lives.
        folder: where the site is kept; a temporary folder, removed afterwards, if None.
        open_page: show the page in a browser, if there is one.
    """
    console = Console(highlight=False)
    with ExitStack() as stack:
        stop = stack.enter_context(_stopped_by_signals())
        os.environ.pop(STORE_URL_VARIABLE, None)  # never write the invented plant into a real site's database
        place = folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hissmark-demo-")))
        failed = _show(stack, stop, console, place, Wishes(port, seed, speed, open_page))
    console.print("Stopped." if not failed else "The service had to give up; see the messages above.")
    return int(failed)


def _show(stack: ExitStack, stop: threading.Event, console: Console, folder: Path, wishes: Wishes) -> bool:
    """Everything between the first line and Ctrl-C; `stack` undoes it in reverse. True if it failed."""
    set_up("console", "warning")
    page_port = free_port(wishes.port)
    clock = DemoClock(wishes.speed)
    plant = Plant(wishes.seed, Story.told(wishes.seed, clock.live_us, wishes.speed))
    broker = EmbeddedBroker()
    stack.callback(broker.stop)
    write_site(folder, broker.start(), page_port)
    site = load_site(folder)
    console.print(f"[bold]{site.name}[/] (invented): {len(site.register.valves)} valves in 5 groups.")
    with _bar(console) as show:
        learn(site, plant, clock.live_us, lambda share: show(share) or not stop.is_set())
    if stop.is_set():
        return False
    put_on_record(site, clock.live_us)
    daemon = Daemon(site, clock, demo=True)
    stack.callback(daemon.stop)
    daemon.start()
    _wait_until(lambda: broker.subscriptions >= len(site.mqtt.filters), stop)
    clock.go()
    publisher = Publisher(plant, clock.now_us, broker.port)
    stack.callback(publisher.stop)
    publisher.start()
    _announce(console, daemon.address, wishes)
    narrator = Narrator(console, plant.story, daemon.reader)
    while not stop.wait(_WAIT_S) and not daemon.failed.is_set():
        narrator.tell(clock.now_us())
    return daemon.failed.is_set()


@contextmanager
def _stopped_by_signals() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set; the handlers from before come back afterwards."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {n: signal.signal(n, lambda *_: stop.set()) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _bar(console: Console) -> Iterator[Callable[[float], bool]]:
    """A progress line for the learning, where somebody looks; otherwise one plain line."""
    what = f"Learning backgrounds from {HISTORY_S // 3600} h of its past"
    if not console.is_terminal:
        console.print(f"{what} ...")
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:3.0f} %"))
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=1.0)

        def show(share: float) -> bool:
            progress.update(task, completed=share)
            return False

        yield show


def _wait_until(ready: Callable[[], bool], stop: threading.Event) -> None:
    deadline_s = time.monotonic() + _SUBSCRIBE_S
    while not ready() and not stop.is_set():
        if time.monotonic() > deadline_s:
            raise RuntimeError("the service did not subscribe to the embedded broker in time")
        time.sleep(0.05)


def _announce(console: Console, address: str, wishes: Wishes) -> None:
    console.print(
        f"\nPage: [bold]{address}[/]\n\n"
        f"The plant lives {wishes.speed:g} times as fast as you. Ctrl-C stops everything.\n"
        "An aid for finding leaks, not proof of isolation: lockout/tagout and permits decide on work.\n",
        soft_wrap=True,
    )
    sys.stdout.flush()
    if wishes.open_page and _has_display():
        threading.Thread(target=_open_page, args=(address,), daemon=True).start()


def _has_display() -> bool:
    """On Linux without a display `webbrowser` would start a text browser in this very terminal."""
    return sys.platform != "linux" or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def _open_page(address: str) -> None:
    try:
        webbrowser.open(address)
    except Exception:  # whatever a desktop does, the demo goes on
        return
