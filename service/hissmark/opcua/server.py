"""The server in a thread of its own: keeps values and conditions in step with the live state."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import structlog
from asyncua import Server, ua

from hissmark import __version__
from hissmark.access.book import Book
from hissmark.opcua import filters
from hissmark.opcua.certificates import TrustedClients, own_certificate
from hissmark.opcua.conditions import Conditions
from hissmark.opcua.event_history import EventHistory
from hissmark.opcua.history import History, ValueHistory
from hissmark.opcua.methods import Act, Methods, Note
from hissmark.opcua.people import NamedServer, People
from hissmark.opcua.space import Space, build
from hissmark.opcua.values import values_of
from hissmark.publish.live import LiveState
from hissmark.store.reader import Reader

log = structlog.get_logger("hissmark.opcua")

LOOK_S = 0.5
POLICIES = {
    "Basic256Sha256": ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    "Aes128Sha256RsaOaep": ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    "Aes256Sha256RsaPss": ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
}


@dataclass(frozen=True, slots=True)
class Options:
    """Where and how it is served.

    Attributes:
        folder: of certificates. security: names of `POLICIES`. unencrypted: also offer an open endpoint.
    """

    site: str
    host: str
    port: int
    folder: Path
    security: tuple[str, ...]
    unencrypted: bool = False

    @property
    def uri(self) -> str:
        """Of our namespace and of the application; the same for as long as the site has its name."""
        plain = "".join(c if c.isalnum() else "-" for c in self.site.lower()).strip("-")
        return f"urn:hissmark:{plain or 'site'}"

    @property
    def address(self) -> str:
        return f"opc.tcp://{self.host}:{self.port}/hissmark"


class OpcUaServer:
    """OPC UA server of a running service. Alarms are acted on through `act`, comments go through `note`."""

    def __init__(
        self, options: Options, live: LiveState, reader: Reader, book: Book | None, act: Act, note: Note
    ) -> None:
        self._options, self._live, self._reader = options, live, reader
        self._book, self._act, self._note = book, act, note
        self._stop = threading.Event()
        self._ready = threading.Event()
        self._failure = ""
        self._thread = threading.Thread(target=self._run, name="opc-ua", daemon=True)
        self._told: dict[str, tuple[str, bool]] = {}

    def start(self, patience_s: float = 30.0) -> None:
        """Serve. What goes wrong is logged; the rest of the service does not depend on it."""
        self._thread.start()
        if not self._ready.wait(patience_s) or self._failure:
            log.error("OPC UA is not served", reason=self._failure or "it took too long to start")
        else:
            log.info("OPC UA is served", address=self._options.address)

    def stop(self, timeout_s: float = 3.0) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive() and self._ready.is_set()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                try:
                    asyncio.run(self._serve())
                except RegisterChangedError:
                    self._told.clear()
        except Exception as error:
            self._failure = str(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
            if self._ready.is_set():
                log.exception("OPC UA has stopped")
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        server = await self._make()
        index = await server.register_namespace(self._options.uri)
        space = await build(server, index, self._options.site, self._live.layout)
        now_us = self._live.clock.now_us
        values = ValueHistory(self._reader, space, now_us)
        events = EventHistory(self._reader, space, self._max_shelve_s)
        server.iserver.history_manager = History(server.iserver, values, events)
        conditions = Conditions(server, space, self._live, self._reader)
        Methods(conditions, self._act, self._note, now_us, self._max_shelve_s).link(server)
        await conditions.begin()
        async with server:
            self._ready.set()
            await self._write_values(server, space)
            await conditions.know_what_stands()
            layout = self._live.layout
            while not self._stop.is_set():
                if self._live.layout is not layout:  # another register: everything may stand elsewhere
                    raise RegisterChangedError
                await self._write_values(server, space)
                await conditions.follow()
                await asyncio.sleep(LOOK_S)

    def _max_shelve_s(self) -> int:
        return self._live.layout.settings.alarms.max_shelve_s

    async def _make(self) -> Server:
        options = self._options
        filters.install()
        server = Server(iserver=NamedServer(user_manager=People(self._book)))
        await server.init()
        server.set_endpoint(options.address)
        server.set_server_name(f"hissmark {options.site}")
        await server.set_application_uri(options.uri)
        await server.set_build_info(options.uri, "hissmark", "hissmark", __version__, "", datetime.now(UTC))
        policies = [POLICIES[name] for name in options.security]
        if options.unencrypted:
            policies.append(ua.SecurityPolicyType.NoSecurity)
        server.set_security_policy(policies)
        anonymous = self._book is None or not self._book.asks
        tokens = [ua.UserNameIdentityToken, *([ua.AnonymousIdentityToken] if anonymous else [])]
        server.set_identity_tokens(tokens)
        cert, key = await own_certificate(options.folder, options.uri)
        await server.load_certificate(cert)
        await server.load_private_key(key)
        server.set_certificate_validator(TrustedClients(options.folder))
        return server

    async def _write_values(self, server: Server, space: Space) -> None:
        """Write the groups whose tick or freshness is new."""
        for reading in self._live.live_readings(self._live.layout.group_names):
            state = (reading["at"], reading["fresh"])
            if self._told.get(reading["group"]) == state:
                continue
            self._told[reading["group"]] = state
            for channel, kind, value in values_of(reading):
                await server.write_attribute_value(space.variable(channel, kind), value)


class RegisterChangedError(Exception):
    """The register has changed; the address space has to be laid out anew."""
