"""`hissmark run`: the service from start to SIGTERM."""

from __future__ import annotations

import gc
import signal
import time
from typing import TYPE_CHECKING

from hissmark.site.load import Site

if TYPE_CHECKING:
    from hissmark.daemon.deadline import LastResort
    from hissmark.daemon.service import Daemon


def run(site: Site) -> int:
    """Run a site until SIGTERM or SIGINT. Returns 0 after a clean stop, 1 if it had to give up."""
    from hissmark.daemon.deadline import LastResort
    from hissmark.daemon.exhaustion import end_when_exhausted, is_exhaustion, say
    from hissmark.daemon.logs import set_up
    from hissmark.daemon.memory import share_heaps

    share_heaps()
    from hissmark.daemon.service import Daemon
    from hissmark.daemon.work import StoppedError

    set_up(site.settings.log.format, site.settings.log.level)
    told = _Told(LastResort(lambda: told.code))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, told)
    daemon = told.daemon = Daemon(site)
    end_when_exhausted(daemon.failed.set)
    try:
        if not told.stop:
            daemon.start()
        gc.freeze()  # what stands now stays; looking through it again and again would hold up intake
        gc.enable()
        while not told.stop and not daemon.failed.is_set():
            time.sleep(0.1)
            ended = daemon.ended_parts()
            if ended and not told.stop:  # asked in this order: told to stop, they end of course
                daemon.give_up(ended)
    except StoppedError:
        pass
    except MemoryError:
        daemon.failed.set()
        say("main")
    finally:
        told.last_resort.begin()  # if nobody has told us: we end by ourselves
        try:
            daemon.stop(told.last_resort.deadline)
        except Exception as error:
            if not is_exhaustion(error):
                raise
            told.last_resort.end("there is no memory left to stop in good order")
    return told.last_resort.leave()


class _Told:
    """What a signal does. It runs between any two instructions of the main thread, so it takes no lock."""

    daemon: Daemon | None = None
    stop = False

    def __init__(self, last_resort: LastResort) -> None:
        self.last_resort = last_resort

    @property
    def code(self) -> int:
        """Exit code: 1 if the service had to give up."""
        return 1 if self.daemon is not None and self.daemon.failed.is_set() else 0

    def __call__(self, *_: object) -> None:
        self.stop = True
        self.last_resort.begin()
        if self.daemon is not None:
            self.daemon.ask_to_stop()
