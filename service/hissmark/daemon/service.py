"""The daemon: receiver, worker, web server and housekeeping of one site, started and stopped together."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import structlog

from hissmark.daemon.acting import Acting
from hissmark.daemon.alarm_metrics import AlarmCollector
from hissmark.daemon.backup_job import BackupJob
from hissmark.daemon.clock import Clock, WallClock
from hissmark.daemon.connections import Bounds
from hissmark.daemon.deadline import TIDY_S, Deadline, together
from hissmark.daemon.desks import Desks
from hissmark.daemon.filling import BackfillJob
from hissmark.daemon.housekeeping import DAY_S, Housekeeping
from hissmark.daemon.http import WebServer
from hissmark.daemon.in_force import InForce, expects_session, previous_filters
from hissmark.daemon.integrity_job import IntegrityJob
from hissmark.daemon.long_history import LongHistory
from hissmark.daemon.opcua import opcua_of
from hissmark.daemon.outgoing import publishers_of
from hissmark.daemon.questions import Questions
from hissmark.daemon.reach import book_of, certificate_of, require_safe_reach
from hissmark.daemon.record import reading_rows
from hissmark.daemon.surroundings import Surroundings
from hissmark.daemon.takeover import Takeover, kinds_of, levels_of
from hissmark.daemon.watch import Watch
from hissmark.daemon.work import Parts
from hissmark.daemon.worker import Worker
from hissmark.decode.decoder import Decoder
from hissmark.decode.limits import Limits
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.receiver import Receiver
from hissmark.ingest.sparkplug_host import SparkplugHost
from hissmark.notify.build import notifier_of
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.site.load import Site
from hissmark.store.archive.holds import HoldDesk
from hissmark.store.open import open_for_reading, open_store
from hissmark.store.reader import Reader
from hissmark.store.records import Limits as StoreLimits
from hissmark.store.records import Reading
from hissmark.store.writer import Writer
from hissmark.tune.runs import Runs
from hissmark.upkeep.baseline_desk import BaselineDesk
from hissmark.web.api.figures import chatter_window_us
from hissmark.web.app import create_app
from hissmark.web.callers import Proxies
from hissmark.web.context import WebContext

log = structlog.get_logger("hissmark.daemon")

WORKER_S, REST_S = 2.0, 3.5
"""Kept of the time to stop: for the worker at least, and for all that comes after it."""
LOOK_FOR_BACKUP_S = 300.0
CHECK_AFTER_S = 3600.0


class Daemon:
    """One site at work. `start`, then `stop`; `failed` is set if the worker had to give up."""

    def __init__(
        self, site: Site, clock: Clock | None = None, *, port: int | None = None, demo: bool = False
    ) -> None:
        """Opens store and address. Raises StoreError, AddressError, SiteError with what to do."""
        self.site = site
        self.clock = clock or WallClock()
        self.failed = threading.Event()
        self._store = open_store(site.store_url, site.folder)
        self._looking_up = open_for_reading(site.store_url, site.folder)
        self._book = None if demo else book_of(site, self._store, self._looking_up)
        require_safe_reach(site, self._book)
        self.reader = Reader(self._looking_up, site.archive)  # who reads holds up nobody
        limits = StoreLimits(feed=site.settings.store.feed_days > 0)
        self._writer = Writer(
            self._store, (), limits=limits, now_us=self.clock.now_us
        )  # first: there is but one of us
        self._in_force = InForce(site, self._store)
        self._takeover = Takeover(
            site.folder, site.core, self._store, self._in_force.with_register, self._looking_up
        )
        self._takeover.on_taken = self._go_on_under
        register = self._takeover.at_start(site.register, self.clock.now_us())
        self.layout = Layout.of(register, site.core)
        self._writer.use_names(self.layout.names, kinds_of(self.layout))
        self.live = LiveState(self.layout, self.clock)
        self.metrics = Metrics()
        self.metrics.watch(self.live)
        self.queue = MessageQueue(max_bytes=site.mqtt.queue_mb << 20)
        self._receiver = Receiver(
            site.mqtt, self.queue, self.clock.now_us, previous_filters(self.reader), self._limits,
            expects_session=expects_session(self.reader, site),
        )  # fmt: skip
        self._sparkplug = (
            SparkplugHost(site.mqtt, self.queue, self.clock.now_us) if site.mqtt.sparkplug_filters else None
        )
        self.questions = Questions()
        self._worker = self._make_worker()
        self._worker.on_failure = self.failed.set
        self._broker = f"{site.mqtt.host}:{site.mqtt.port}"
        self._outgoing = publishers_of(site, self.live, self.reader)
        self._watch = Watch(
            self._broker, self._receiver, self._sparkplug, self.queue, lambda: self._worker.alive, self.live,
            self.metrics, self._outgoing,
        )  # fmt: skip
        long_history = LongHistory(site, self._store, lambda: self.layout, self.clock)
        self.backfill = BackfillJob(self.reader, lambda: self.layout, self._worker.errands)
        self._housekeeping = Housekeeping(
            self._store, self.reader, self.live, self.metrics, self.clock, long_history, self.backfill.run,
            self._look,
        )  # fmt: skip
        self.notifier = notifier_of(site, self._store, self.live)
        self._housekeeping.forget_more = self.notifier.forget
        if site.settings.store.backup_folder is not None:
            self._housekeeping.every(LOOK_FOR_BACKUP_S, BackupJob(site, self.clock, self.metrics), "backup")
        self._housekeeping.every(60, Surroundings(site, self.metrics).look, "surroundings", after_s=1)
        integrity = IntegrityJob(self._looking_up, site.archive, self.clock, self.metrics)
        self._housekeeping.every(DAY_S, integrity, "integrity", after_s=CHECK_AFTER_S)
        chatter_us = chatter_window_us(site.core)
        collector = AlarmCollector(self.notifier.reader, self.clock.now_us, chatter_us, self.notifier.told)
        self.metrics.registry.register(collector)
        self._desks = Desks(
            site, self.clock, self.live, self.reader, self.notifier, self._store, self._looking_up
        )
        self._desks.keep(self._housekeeping, self.metrics)
        self._baselines = BaselineDesk(
            self.questions.read, self.reader, self._takeover.book, site.core, self.clock.now_us
        )
        self.tuning = Runs(site.folder, self.clock.now_us)
        acting = Acting(self._store, self.reader, self.clock.now_us, site.name)
        self._web = self._make_web(acting, port, demo=demo)
        self._opcua = opcua_of(site, self.live, self.reader, self._book, acting)

    def _make_worker(self) -> Worker:
        parts = Parts(
            Engine(self.layout), self._decoder(), self.queue, self._writer, self.reader, self.live,
            self.metrics, self.clock, self._receiver.ack, self._reading_rows, self._takeover,
            self._sparkplug.ask_rebirth if self._sparkplug else None, questions=self.questions,
        )  # fmt: skip
        return Worker(parts)

    def _make_web(self, acting: Acting, port: int | None, *, demo: bool) -> WebServer:
        site = self.site
        http, certificate = site.settings.http, certificate_of(site)
        context = WebContext(
            self.live, self.reader, acting.act, self.metrics, site.name, self._in_force.shown, demo=demo,
            book=self._book, proxies=Proxies(http.trusted_proxy), tls=certificate is not None,
            worth=self._desks.worth, letters=self._desks.letters, write_note=acting.write_note,
            notifier=self.notifier, desk=self._desks.repairs, change=acting.change, tuning=self.tuning,
            tell=self.questions.ask, registers=self._takeover.book, baselines=self._baselines,
            holds=HoldDesk(self._store, self._looking_up, self.clock.now_us),
        )  # fmt: skip
        port = http.port if port is None else port
        bounds = Bounds(from_one=0) if http.trusted_proxy else Bounds()
        return WebServer(create_app(context), http.host, port, certificate, bounds)

    @property
    def engine(self) -> Engine:
        """The engine; only its worker may touch it while the service runs."""
        return self._worker.engine

    @property
    def _limits(self) -> Limits:
        mqtt = self.site.settings.mqtt
        reorder_s = 5.0 if mqtt is None else mqtt.sparkplug_reorder_s
        return Limits(max_ahead_s=self.site.core.signal.max_ahead_s, reorder_s=reorder_s)

    def _decoder(self) -> Decoder:
        names, host_id = self.layout.series_index(), self.site.mqtt.sparkplug_host or ""
        return Decoder(self.site.mqtt.sources, names, self._limits, levels_of(self.layout), host_id)

    def _go_on_under(self, layout: Layout) -> None:
        """A new register is in force."""
        self.layout = layout
        self.questions.forget()
        self._baselines.forget()
        self.site = replace(self.site, register=layout.register)

    @property
    def address(self) -> str:
        """Where the page is."""
        return self._web.address

    def start(self) -> None:
        """Catch up with what is stored, then serve and listen."""
        self._in_force.note(self._writer, self.layout.register, self.clock)
        self._worker.recover()
        self._worker.take_over_register()
        self._restore_live()
        self.notifier.start()  # first: what the worker records from now on is told
        self._worker.start()
        self._web.start()
        for publisher in self._outgoing:
            publisher.start()
        self._housekeeping.start()
        self._receiver.start()
        if self._sparkplug is not None:
            self._sparkplug.start()
        if self._opcua is not None:
            self._opcua.start()  # last: it takes seconds to lay out, and intake waits for nobody
        log.info("listening", site=self.site.name, page=self.address, broker=self._broker)

    def ended_parts(self) -> list[str]:
        """Parts that have ended and that nothing here starts again: half a service looks like a whole one."""
        parts = {
            "worker": self._worker.ended, "pages": self._web.ended, "health": self._housekeeping.ended,
            "notifications": self.notifier.ended,
        }  # fmt: skip
        return [name for name, ended in parts.items() if ended]

    def give_up(self, ended: Sequence[str]) -> None:
        """Have the service stopped, to be started again."""
        if not self.failed.is_set():
            self.failed.set()
            log.error("a part of the service has ended by a fault; the service stops", parts=ended)

    def ask_to_stop(self) -> None:
        """Cut short what takes long (catching up after a start), so that `stop` comes in time."""
        self._worker.ask_to_stop()

    def stop(self, deadline: Deadline | None = None) -> None:
        """Stop in the order that loses nothing: intake, worker (commits, saves), then the rest, side by side.

        Every part gets what is left until the deadline, so that whatever hangs, the end comes in time.
        """
        began_s, deadline = time.monotonic(), deadline or Deadline()
        self.tuning.stop()
        self._housekeeping.stop()
        self.notifier.ask_to_stop()
        if self._sparkplug is not None:
            together([self._sparkplug.stop], deadline, keep_s=REST_S + WORKER_S)
        self._worker.stop(deadline.left_s(REST_S))
        self.live.broadcast.end_streams()  # open pages would hold the web server for seconds
        left_s = deadline.left_s(2 * TIDY_S)
        stops: list[Callable[[], object]] = [
            partial(self._receiver.stop, left_s),
            partial(self.notifier.stop, left_s / 2),
            partial(self._web.stop, left_s),
            *(partial(publisher.stop, left_s) for publisher in self._outgoing),
        ]
        if self._opcua is not None:
            stops.append(partial(self._opcua.stop, left_s))
        ended = together(stops, deadline)
        self.queue.close()
        if self._worker.alive:  # its transaction is undone with the process, and delivered again
            log.warning("stopped in the middle of a transaction; its messages were not acknowledged")
        elif ended:
            self._looking_up.dispose()
            self._writer.close()
            self._store.dispose()  # last: emptying SQLite's log takes one that may write
        log.info("stopped", took_s=round(time.monotonic() - began_s, 2))

    def _restore_live(self) -> None:
        readings = [json.loads(row.payload) for row in self.reader.readings()]
        newest = self.reader.journal(before_seq=2**62, limit=100)
        self.live.restore(readings, self.engine.alarms(), newest[::-1])

    def _reading_rows(self, tick: Tick) -> list[Reading]:
        return reading_rows(self.layout, tick)

    def _look(self) -> None:
        self._web.look()
        self._watch.look()
