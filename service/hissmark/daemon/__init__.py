"""`hissmark run`: the service from start to SIGTERM."""

from __future__ import annotations

import signal
import threading

from hissmark.site.load import Site


def run(site: Site) -> int:
    """Run a site until SIGTERM or SIGINT. Returns the exit code: 0 after a clean stop, 1 if it had to give up."""
    from hissmark.daemon.logs import set_up
    from hissmark.daemon.service import Daemon

    set_up(site.settings.log.format, site.settings.log.level)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    daemon = Daemon(site)
    try:
        daemon.start()
        while not stop.wait(0.2) and not daemon.failed.is_set():
            pass
    finally:
        daemon.stop()
    return 1 if daemon.failed.is_set() else 0
