"""The daemon: receiver, worker, web server and housekeeping of one site, started and stopped together."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import msgspec
import structlog

from hissmark import __version__
from hissmark.appraise.appraiser import Appraiser
from hissmark.appraise.desk import LOOK_AGAIN_S, WorthDesk
from hissmark.daemon.alarm_metrics import AlarmCollector
from hissmark.daemon.backup_job import BackupJob
from hissmark.daemon.clock import Clock, WallClock
from hissmark.daemon.filling import BackfillJob
from hissmark.daemon.housekeeping import Housekeeping
from hissmark.daemon.http import WebServer
from hissmark.daemon.letters import postman_of, told_of_repairs
from hissmark.daemon.long_history import LongHistory
from hissmark.daemon.opcua import opcua_of
from hissmark.daemon.outgoing import publishers_of
from hissmark.daemon.questions import Questions
from hissmark.daemon.reach import book_of, certificate_of, require_safe_reach
from hissmark.daemon.record import reading_rows
from hissmark.daemon.takeover import Takeover, kinds_of, levels_of
from hissmark.daemon.worker import Parts, Worker
from hissmark.daemon.worth_metrics import WorthCollector
from hissmark.decode.decoder import Decoder
from hissmark.decode.limits import Limits
from hissmark.engine.change import Change
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Register
from hissmark.engine.telling import Background
from hissmark.ingest.health import Health
from hissmark.ingest.queue import MessageQueue
from hissmark.ingest.receiver import Receiver
from hissmark.ingest.sparkplug_host import SparkplugHost
from hissmark.notify.build import notifier_of
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.publish.shapes import GroupReading
from hissmark.publish.times import rfc3339
from hissmark.repairs.build import desk_of
from hissmark.reports.made import ReportJob
from hissmark.reports.sources import Sources
from hissmark.site.load import Site
from hissmark.store.actions import record_action
from hissmark.store.changes import record_change
from hissmark.store.journal import JournalFilter
from hissmark.store.letters import LetterBox
from hissmark.store.notes import ShiftNote, add_note
from hissmark.store.open import open_for_reading, open_store
from hissmark.store.reader import Reader
from hissmark.store.recall import story_at
from hissmark.store.records import ActionRequest, ActionRow, ChangeRow, Reading
from hissmark.store.records import Limits as StoreLimits
from hissmark.store.writer import Writer
from hissmark.tune.runs import Runs
from hissmark.upkeep.baseline_desk import BaselineDesk
from hissmark.web.api.figures import chatter_window_us
from hissmark.web.app import create_app
from hissmark.web.callers import Proxies
from hissmark.web.context import ActionOutcome, WebContext
from hissmark.web.past import readings_at

log = structlog.get_logger("hissmark.daemon")

FILTERS = "mqtt.filters"
ANSWER_S = 5.0
LOOK_FOR_BACKUP_S = 300.0
REPAIRS_S = 5.0
"""How often it is looked how far the checks of repairs have come."""
LOOK_FOR_REPORT_S = 120.0


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
        self.reader = Reader(self._store, site.archive)
        limits = StoreLimits(feed=site.settings.store.feed_days > 0)
        self._writer = Writer(
            self._store, (), limits=limits, now_us=self.clock.now_us
        )  # first: there is but one of us
        self._takeover = Takeover(site.folder, site.core, self._store, self._settings_version)
        self._takeover.on_taken = self._go_on_under
        register = self._takeover.at_start(site.register, self.clock.now_us())
        self.layout = Layout.of(register, site.core)
        self._writer.use_names(self.layout.names, kinds_of(self.layout))
        self.live = LiveState(self.layout, self.clock)
        self.metrics = Metrics()
        self.metrics.watch(self.live)
        self.queue = MessageQueue()
        self._receiver = Receiver(
            site.mqtt, self.queue, self.clock.now_us, self._previous_filters(), self._limits
        )
        self._sparkplug = (
            SparkplugHost(site.mqtt, self.queue, self.clock.now_us) if site.mqtt.sparkplug_filters else None
        )
        self.questions = Questions()
        self._worker = Worker(
            Parts(
                Engine(self.layout),
                self._decoder(),
                self.queue,
                self._writer,
                self.reader,
                self.live,
                self.metrics,
                self.clock,
                self._receiver.ack,
                self._reading_rows,
                self._takeover,
                self._sparkplug.ask_rebirth if self._sparkplug else None,
                questions=self.questions,
            )
        )
        self._worker.on_failure = self.failed.set
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
        chatter_us = chatter_window_us(site.core)
        collector = AlarmCollector(self.notifier.reader, self.clock.now_us, chatter_us, self.notifier.told)
        self.metrics.registry.register(collector)
        http = site.settings.http
        certificate = certificate_of(site)
        context = WebContext(
            self.live, self.reader, self.act, self.metrics, site.name, self.settings_shown, demo=demo,
            book=self._book, proxies=Proxies(http.trusted_proxy), tls=certificate is not None,
        )  # fmt: skip
        port = http.port if port is None else port
        self._baselines = BaselineDesk(
            self.questions.read, self.reader, self._takeover.book, site.core, self.clock.now_us
        )
        self.desk = desk_of(
            lambda: self.live.layout.register, site.core, site.settings.repair, writing=self._store,
            reading=self._looking_up, readings=self.live.readings, now_us=self.clock.now_us,
        )  # fmt: skip
        self.desk.background_at = self._background_at
        self.desk.receivers = lambda group: told_of_repairs(self.notifier, group)
        self.postman = postman_of(
            site, self.notifier, self.desk, self._store, self._looking_up, self.clock.now_us
        )
        self._housekeeping.every(REPAIRS_S, self.desk.follow_up, "checks of repairs")
        self._housekeeping.every(REPAIRS_S, self.postman.deliver, "letters")
        letters = LetterBox(self._store, self._looking_up)
        self.tuning = Runs(site.folder, self.clock.now_us)
        self.worth = WorthDesk(
            Appraiser(lambda: self.live.layout, self.reader, self._readings_at),
            self._store,
            self.clock.now_us,
        )
        self.live.worth_said = self.worth.said
        sources = Sources(
            site.name, __version__, lambda: self.live.layout, self.desk, self.reader, self.worth.appraiser
        )
        if site.settings.report.every != "never":
            job = ReportJob(sources, site.settings.report, letters)
            self._housekeeping.every(LOOK_FOR_REPORT_S, job, "report")
        self.live.worth_begins = self.worth.said_as_it_begins
        self.metrics.registry.register(WorthCollector(self.worth.at_hand))
        self._housekeeping.every(LOOK_AGAIN_S, self.worth.look, "worth of leaks")
        context = replace(
            context,
            worth=self.worth,
            letters=letters,
            write_note=self.write_note,
            notifier=self.notifier,
            desk=self.desk,
            change=self.change,
            tuning=self.tuning,
            tell=self.questions.ask,
            registers=self._takeover.book,
            baselines=self._baselines,
        )
        self._web = WebServer(create_app(context), http.host, port, certificate)
        self._opcua = opcua_of(site, self.live, self.reader, self._book, self.act, self.live.sentence_of)
        self._outgoing = publishers_of(site, self.live)
        self._seen = Health()

    @property
    def engine(self) -> Engine:
        """The engine; only its worker may touch it while the service runs."""
        return self._worker.engine

    @property
    def _limits(self) -> Limits:
        return Limits(max_ahead_s=self.site.core.signal.max_ahead_s)

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
        self._note_settings()
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
        log.info("listening", site=self.site.name, page=self.address, broker=self._broker())

    def ask_to_stop(self) -> None:
        """Cut short what takes long (catching up after a start), so that `stop` comes in time."""
        self._worker.ask_to_stop()

    def stop(self) -> None:
        """Stop in the order that loses nothing: intake, worker (commits, saves), then the rest."""
        began_s = time.monotonic()
        self.tuning.stop()
        self._housekeeping.stop()
        if self._sparkplug is not None:
            self._sparkplug.stop()
        self.notifier.ask_to_stop()
        self._worker.stop()
        self.notifier.stop()
        self._receiver.stop(timeout_s=1.5)
        self.queue.close()
        self.live.broadcast.end_streams()  # open pages would hold the web server for seconds
        for publisher in self._outgoing:
            publisher.stop(timeout_s=1.0)
        if self._opcua is not None:
            self._opcua.stop(timeout_s=1.5)
        self._web.stop(timeout_s=2.3)
        if self._worker.alive:  # its transaction is undone with the process, and delivered again
            log.warning("stopped in the middle of a transaction; its messages were not acknowledged")
        else:
            self._writer.close()
            self._store.dispose()
            self._looking_up.dispose()
        log.info("stopped", took_s=round(time.monotonic() - began_s, 2))

    def act(self, request: ActionRequest) -> ActionOutcome:
        """Record an operator's action and wait until it is applied. Raises TimeoutError if it is not."""
        number = record_action(self._store, request, self.clock.now_us())
        row = _settled(lambda: self.reader.action(number), "action")
        applied = row.applied_after_us is not None
        message = (
            f"{request.alarm} of {request.valve}: {request.kind} applied"
            if applied
            else f"{row.outcome}{self._who_was_first(request)}"
        )
        return ActionOutcome(applied, message, number, row.applied_after_us)

    def change(self, change: Change) -> ActionOutcome:
        """Record a change and wait until it is taken up. Raises TimeoutError if it is not."""
        number = record_change(self._store, change, self.clock.now_us())
        row = _settled(lambda: self.reader.change(number), "change")
        applied = row.applied_after_us is not None
        message = f"{change.kind} of {change.subject or self.site.name}: applied" if applied else row.outcome
        return ActionOutcome(applied, message or "", number, row.applied_after_us)

    def _readings_at(self, groups: Sequence[str], at_us: int | None) -> Mapping[str, GroupReading]:
        """Readings of groups now, or at a moment."""
        if at_us is not None:
            return readings_at(self.live, self.reader, groups, at_us)
        return {g: reading for g in groups if (reading := self.live.reading(g)) is not None}

    def write_note(self, author: str, text: str, valve: str | None) -> ShiftNote:
        """Put a note of the shift on record."""
        return add_note(self._store, author, text, valve, self.clock.now_us())

    def _who_was_first(self, request: ActionRequest) -> str:
        """Of two who do the same at once, one is too late: told by whom and when it was done."""
        wanted = JournalFilter(valve=request.valve, alarm=request.alarm)
        newest = self.reader.journal(wanted, before_seq=2**62, limit=1)
        if not newest or not newest[0].entry.operator:
            return ""
        entry = newest[0].entry
        did = entry.event.value.replace("-", " ")
        return f" ({did} by {entry.operator}, {rfc3339(newest[0].recorded_us)})"

    def _background_at(self, valve: str, at_us: int) -> Background | None:
        """The baseline of a valve at a moment."""
        layout = self.live.layout
        channel = layout.channels.index(layout.register.valves[valve])
        found = story_at(layout, self.reader, channel, at_us)
        return None if found is None else found.story.background

    def settings_shown(self) -> Mapping[str, Any]:
        """The settings in force, without secrets (password files are named, not read)."""
        shown = self.site.settings.model_dump(mode="json")
        store = shown.get("store")
        if isinstance(store, dict):
            store["url"] = self._store.url.render_as_string(hide_password=True)
        return shown

    def _settings_version(self, register: Register) -> str:
        """Settings and a register as one text."""
        channels = [msgspec.to_builtins(c) for c in register.channels]
        return json.dumps({"settings": self.settings_shown(), "register": channels}, sort_keys=True)

    def _note_settings(self) -> None:
        with self._writer.transaction() as tx:
            tx.settings_version(self._settings_version(self.layout.register))
            tx.meta(FILTERS, json.dumps(list(self.site.mqtt.filters)))

    def _previous_filters(self) -> list[str]:
        text = self.reader.meta(FILTERS)
        return list(json.loads(text)) if text else []

    def _restore_live(self) -> None:
        readings = [json.loads(row.payload) for row in self.reader.readings()]
        newest = self.reader.journal(before_seq=2**62, limit=100)
        self.live.restore(readings, self.engine.alarms(), newest[::-1])

    def _reading_rows(self, tick: Tick) -> list[Reading]:
        return reading_rows(self.layout, tick)

    def _broker(self) -> str:
        return f"{self.site.mqtt.host}:{self.site.mqtt.port}"

    def _look(self) -> None:
        """Every second: how receiver and worker are doing."""
        self._web.look()
        before, self._seen = self._seen, self._receiver.health()
        now = self._seen
        self.metrics.receiver(before, now)
        self.live.report(
            connected=now.connected, subscribed=now.subscribed, broker=self._broker(),
            session_losses=now.session_losses, filters_refused=len(now.refused),
            worker_alive=self._worker.alive, queue_messages=self.queue.depth,
            queue_bytes=self.queue.size_bytes,
            broker_trouble=broker_trouble(now) or self._sparkplug_trouble(),
        )  # fmt: skip

    def _sparkplug_trouble(self) -> str:
        return "" if self._sparkplug is None else broker_trouble(self._sparkplug.health())


Row = TypeVar("Row", ActionRow, ChangeRow)


def _settled(read: Callable[[], Row | None], what: str) -> Row:
    """The row once the service has dealt with it. Raises TimeoutError if that takes too long."""
    deadline_s = time.monotonic() + ANSWER_S
    while time.monotonic() < deadline_s:
        row = read()
        if row is not None and row.outcome is not None:
            return row
        time.sleep(0.05)
    raise TimeoutError(
        f"The {what} is on record and will be applied, but the service has not come to it yet."
    )


def broker_trouble(health: Health) -> str:
    """What is wrong between broker and service, in words; empty if nothing is."""
    if not health.connected:
        return health.last_error or ""
    if health.refused:
        return "the broker refused " + "; ".join(f"{f}: {why}" for f, why in health.refused.items())
    return "" if health.subscribed else "the broker has not answered for the subscriptions yet"
