"""`hissmark run`: the service from start to SIGTERM."""

from __future__ import annotations

import signal
import time
from typing import TYPE_CHECKING

from hissmark.site.load import Site

if TYPE_CHECKING:
    from hissmark.daemon.service import Daemon


def run(site: Site) -> int:
    """Run a site until SIGTERM or SIGINT. Returns 0 after a clean stop, 1 if it had to give up."""
    from hissmark.daemon.logs import set_up
    from hissmark.daemon.service import Daemon
    from hissmark.daemon.work import StoppedError

    set_up(site.settings.log.format, site.settings.log.level)
    told = _Told()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, told)
    daemon = told.daemon = Daemon(site)
    try:
        if not told.stop:
            daemon.start()
        while not told.stop and not daemon.failed.is_set():
            time.sleep(0.1)
    except StoppedError:
        pass
    finally:
        daemon.stop()
    return 1 if daemon.failed.is_set() else 0


class _Told:
    """What a signal does. It runs between any two instructions of the main thread, so it takes no lock."""

    daemon: Daemon | None = None
    stop = False

    def __call__(self, *_: object) -> None:
        self.stop = True
        if self.daemon is not None:
            self.daemon.ask_to_stop()
