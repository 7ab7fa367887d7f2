"""What OPC UA clients may do to alarms, and what they hear: shelving, service, back-fill, history of events.

Sources: OPC 10000-9 (5.8: states and methods), 10000-11 (6.4.2: history of events).
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import AsyncIterator, Coroutine, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("asyncua")
from asyncua import Client, ua

from hissmark.access.roles import Role
from hissmark.alarms.journal import AlarmEvent, AlarmState
from hissmark.opcua.moments import moment
from hissmark.opcua.server import Options
from support.invented import QUIET, START_US, Invented, invented
from support.manual import blocks
from support.opcua_served import served
from support.people import NAMES, PASSWORD, People

GROUPS = ("Steam header B", "Letdown")
MINUTE_US = 60_000_000
_O = ua.ObjectIds
FIELDS = (
    "EventId", "SourceName", "Message", "Retain", "ActiveState/Id", "AckedState/Id", "SuppressedState/Id",
    "OutOfServiceState/Id", "SuppressedOrShelved", "ShelvingState/CurrentState", "Comment", "ClientUserId",
    "Time",
)  # fmt: skip


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Invented]:
    with invented(tmp_path_factory.mktemp("plant"), dict.fromkeys(GROUPS, 5)) as made:
        made.hear([c.source for c in made.layout.channels])
        made.tick(dict.fromkeys(GROUPS, QUIET))
        yield made


@pytest.fixture(scope="module")
def options(plant: Invented, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Options]:
    people = People(tmp_path_factory.mktemp("people")).everybody()
    with served(plant, people.book) as made:
        yield made
    people.close()


def wanted(*where: ua.ContentFilterElement) -> ua.EventFilter:
    made = ua.EventFilter()
    for path in FIELDS:
        steps = [ua.QualifiedName(step, 0) for step in path.split("/")]
        made.SelectClauses.append(
            ua.SimpleAttributeOperand(ua.NodeId(_O.BaseEventType), steps, ua.AttributeIds.Value)
        )
    made.SelectClauses.append(
        ua.SimpleAttributeOperand(ua.NodeId(_O.ConditionType), [], ua.AttributeIds.NodeId)
    )
    made.WhereClause.Elements.extend(where)
    return made


def of_type(number: int) -> ua.ContentFilterElement:
    operand = ua.LiteralOperand(ua.Variant(ua.NodeId(number)))
    return ua.ContentFilterElement(ua.FilterOperator.OfType, [operand])


class Heard:
    """Events of a subscription by name of their fields."""

    def __init__(self) -> None:
        self.events: list[dict[str, Any]] = []

    def event_notification(self, event: Any) -> None:
        fields = [variant.Value for variant in event.event_fields]
        self.events.append(named(fields))

    async def of(self, valve: str, count: int) -> list[dict[str, Any]]:
        """The events of a valve, once there are so many."""
        for _ in range(300):
            rows = [e for e in self.events if e["SourceName"] == valve]
            if len(rows) >= count:
                return rows
            await asyncio.sleep(0.1)
        raise AssertionError(f"waited in vain for {count} events of {valve}: {self.events}")


def named(fields: list[Any]) -> dict[str, Any]:
    plain = [f.Text if isinstance(f, ua.LocalizedText) else f for f in fields]
    return dict(zip((*FIELDS, "Condition"), plain, strict=True))


@asynccontextmanager
async def at(
    options: Options, role: Role, *where: ua.ContentFilterElement, node: str = "site"
) -> AsyncIterator[tuple[Client, Heard]]:
    """A client that listens at a node."""
    client = Client(options.address, timeout=10)
    client.set_user(NAMES[role])
    client.set_password(PASSWORD)
    async with client:
        heard = Heard()
        subscription = await client.create_subscription(100, heard)
        index = await client.get_namespace_index(options.uri)
        place = client.get_node(ua.NodeId(node, index))
        await subscription.subscribe_events(place, evfilter=wanted(*where))
        yield client, heard


def run(work: Coroutine[Any, Any, None]) -> None:
    asyncio.run(asyncio.wait_for(work, 120))


async def call(client: Client, place: ua.NodeId, method: int, *arguments: ua.Variant) -> ua.StatusCode:
    request = ua.CallMethodRequest(place, ua.NodeId(method), list(arguments))
    (result,) = await client.uaclient.call([request])
    return result.StatusCode


def said(text: str) -> ua.Variant:
    return ua.Variant(ua.LocalizedText(text))


def of_ms(value: float) -> ua.Variant:
    return ua.Variant(value, ua.VariantType.Double)


def test_shelving_and_service_with_reasons_on_record(plant: Invented, options: Options) -> None:
    async def look() -> None:
        async with at(options, Role.OPERATOR, of_type(_O.ConditionType)) as (client, heard):
            plant.raise_alarm("XV-101", ago_min=1)
            (raised,) = await heard.of("XV-101", 1)
            condition = raised["Condition"]
            timed = _O.ShelvedStateMachineType_TimedShelve2
            assert (
                await call(client, condition, timed, of_ms(0), said("x"))
            ).name == "BadShelvingTimeOutOfRange"
            assert (await call(client, condition, timed, of_ms(6e5), said("noise test"))).is_good()
            shelved = (await heard.of("XV-101", 2))[-1]
            assert (shelved["ShelvingState/CurrentState"], shelved["SuppressedOrShelved"]) == (
                "Timed Shelved",
                True,
            )
            assert (shelved["Comment"], shelved["ClientUserId"]) == ("noise test", "otto")
            plant.clock.at_us += MINUTE_US
            out = await call(client, condition, _O.AlarmConditionType_RemoveFromService)
            assert out.is_good()
            removed = (await heard.of("XV-101", 3))[-1]
            assert (removed["OutOfServiceState/Id"], removed["ShelvingState/CurrentState"]) == (
                True,
                "Unshelved",
            )
            assert removed["Comment"] == "by an OPC UA client that gave no reason"
            plant.clock.at_us += MINUTE_US
            again = await call(client, condition, _O.AlarmConditionType_PlaceInService2, said("done"))
            assert again.is_good()
            back = (await heard.of("XV-101", 4))[-1]
            assert (back["ActiveState/Id"], back["AckedState/Id"], back["Retain"]) == (True, False, True)

    run(look())
    entries = [r.entry for r in plant.reader.journal(before_seq=1 << 62, limit=3)][::-1]
    assert [(e.event, e.operator, e.comment) for e in entries] == [
        ("shelved", "otto", "noise test"),
        ("out-of-service", "otto", "by an OPC UA client that gave no reason"),
        ("returned-to-service", "otto", "done"),
    ]


def test_an_alarm_that_goes_before_it_is_acknowledged(plant: Invented, options: Options) -> None:
    """Rows 5 to 7 of table B.1 of OPC 10000-9, without confirmation: active, acked, retain TFT, FFT, FTF."""

    async def look() -> None:
        async with at(options, Role.OPERATOR) as (client, heard):
            plant.raise_alarm("XV-201", ago_min=1)
            plant.clear_alarm("XV-201")
            gone = (await heard.of("XV-201", 2))[-1]
            event, comment = ua.Variant(gone["EventId"], ua.VariantType.ByteString), said("seen")
            method = _O.AcknowledgeableConditionType_Acknowledge
            assert (await call(client, gone["Condition"], method, event, comment)).is_good()
            rows = await heard.of("XV-201", 3)
            told = [(e["ActiveState/Id"], e["AckedState/Id"], e["Retain"]) for e in rows]
            assert told == [(True, False, True), (False, False, True), (False, True, False)]

    run(look())


def test_a_viewer_may_do_nothing(plant: Invented, options: Options) -> None:
    async def look() -> None:
        async with at(options, Role.VIEWER) as (client, heard):
            plant.raise_alarm("XV-102", ago_min=1)
            (raised,) = await heard.of("XV-102", 1)
            before = plant.reader.journal(before_seq=1 << 62, limit=1)
            for method, arguments in (
                (_O.ShelvedStateMachineType_TimedShelve, [of_ms(6e5)]),
                (_O.ShelvedStateMachineType_OneShotShelve, []),
                (_O.AlarmConditionType_RemoveFromService, []),
                (_O.ConditionType_AddComment, [ua.Variant(raised["EventId"]), said("hello")]),
                (_O.AcknowledgeableConditionType_Acknowledge, [ua.Variant(raised["EventId"]), said("")]),
            ):
                answer = await call(client, raised["Condition"], method, *arguments)
                assert answer.name == "BadUserAccessDenied"
            assert plant.reader.journal(before_seq=1 << 62, limit=1) == before

    run(look())


def test_filters_go_by_supertypes_and_whole_paths(plant: Invented, options: Options) -> None:
    """Only what is acknowledged: `AckedState/Id` is True (OPC 10000-4, 7.7)."""
    path = [ua.QualifiedName("AckedState", 0), ua.QualifiedName("Id", 0)]
    operand = ua.SimpleAttributeOperand(ua.NodeId(_O.BaseEventType), path, ua.AttributeIds.Value)
    acked = ua.ContentFilterElement(ua.FilterOperator.Equals, [operand, ua.LiteralOperand(ua.Variant(True))])

    async def look() -> None:
        async with (
            at(options, Role.OPERATOR, acked) as (_client, picky),
            at(options, Role.OPERATOR) as (c, heard),
        ):
            plant.raise_alarm("XV-103", ago_min=1)
            (raised,) = await heard.of("XV-103", 1)
            event, comment = ua.Variant(raised["EventId"], ua.VariantType.ByteString), said("seen")
            await call(c, raised["Condition"], _O.AcknowledgeableConditionType_Acknowledge, event, comment)
            (only,) = await picky.of("XV-103", 1)
            assert only["Comment"] == "seen"

    run(look())


def test_a_group_hears_its_own_and_backfill_is_no_news(plant: Invented, options: Options) -> None:
    """An alarm found only when data came late stands for whoever asks, and is not sent as new."""

    async def look() -> None:
        async with at(options, Role.OPERATOR, node="group/Letdown") as (client, heard):
            plant.find_later("XV-202")
            plant.raise_alarm("XV-104", ago_min=1)
            plant.raise_alarm("XV-203", ago_min=1)
            await heard.of("XV-203", 1)
            assert {e["SourceName"] for e in heard.events} == {"XV-203"}
            index = await client.get_namespace_index(options.uri)
            retain = client.get_node(ua.NodeId("alarm/XV-202/passing/Retain", index))
            assert await retain.read_value() is True

    run(look())


def test_the_history_of_events_is_what_was_sent(plant: Invented, options: Options) -> None:
    """Page by page, forwards and backwards, with the ids of the events that were sent."""

    async def look() -> None:
        async with at(options, Role.OPERATOR, node="subject/XV-204") as (client, heard):
            for _ in range(3):
                plant.clock.at_us += MINUTE_US
                plant.raise_alarm("XV-204", ago_min=0)
                plant.clock.at_us += MINUTE_US
                plant.clear_alarm("XV-204")
            sent = await heard.of("XV-204", 6)
            ids = [e["EventId"] for e in sent]
            index = await client.get_namespace_index(options.uri)
            node = client.get_node(ua.NodeId("subject/XV-204", index))
            first, last = moment(START_US), moment(plant.clock.at_us) + timedelta(minutes=1)
            assert [e["EventId"] for e in await past(node, first, last, 4)] == ids
            assert [e["EventId"] for e in await past(node, last, first, 5)] == ids[::-1]
            states = [(e["ActiveState/Id"], e["Retain"]) for e in await past(node, first, last, 0)]
            assert states == [(True, True), (False, True)] * 3

    run(look())


async def past(node: Any, start: Any, end: Any, most: int) -> list[dict[str, Any]]:
    """All pages of a node's history of events."""
    found: list[dict[str, Any]] = []
    point = None
    while True:
        details = ua.ReadEventDetails(most, start, end, wanted())
        result = await page(node, details, point)
        found += [named([v.Value for v in e.EventFields]) for e in result.HistoryData.Events]
        point = result.ContinuationPoint
        if not point:
            return found


async def page(node: Any, details: ua.ReadEventDetails, point: bytes | None) -> ua.HistoryReadResult:
    value = ua.HistoryReadValueId(NodeId=node.nodeid, ContinuationPoint=point)
    params = ua.HistoryReadParameters(details, ua.TimestampsToReturn.Both, False, [value])
    (result,) = await node.session.history_read(params)
    result.StatusCode.check()
    return result


def test_what_a_rule_suppresses_is_said(plant: Invented, options: Options) -> None:
    async def look() -> None:
        async with at(options, Role.OPERATOR) as (_client, heard):
            alarm = plant.raise_alarm("XV-105", ago_min=1)
            await heard.of("XV-105", 1)
            plant.clock.at_us += MINUTE_US
            held = replace(alarm, state=AlarmState.SUPPRESSED_BY_DESIGN, changed_us=plant.clock.at_us)
            plant.put_alarm(held, AlarmEvent.SUPPRESSED, plant.clock.at_us)
            row = (await heard.of("XV-105", 2))[-1]
            assert (row["SuppressedState/Id"], row["SuppressedOrShelved"], row["ActiveState/Id"]) == (
                True,
                True,
                True,
            )

    run(look())


def test_the_client_of_the_manual(plant: Invented, options: Options, tmp_path: Path) -> None:
    """Refused first; with its certificate moved it reads history and hears what stands, encrypted."""
    plant.raise_alarm("XV-205", ago_min=1)
    _, script = blocks("opcua.md", "python")
    for old, new in (
        ("127.0.0.1:4840", f"127.0.0.1:{options.port}"), ("AX-203", "AS-103"),
        ('set_user("historian")', f'set_user("{NAMES[Role.VIEWER]}")'),
        ("datetime.now(UTC)", "datetime(2026, 3, 1, 2, 30, tzinfo=UTC)"),
    ):  # fmt: skip
        assert old in script
        script = script.replace(old, new)

    def tried() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", script], cwd=tmp_path, input=PASSWORD + "\n", text=True,
            capture_output=True, timeout=120,
        )  # fmt: skip

    first = tried()
    assert "BadCertificateUntrusted" in first.stderr
    (kept,) = (options.folder / "rejected").iterdir()
    kept.rename(options.folder / "trusted" / kept.name)
    said = tried()
    assert said.returncode == 0, said.stderr[-2000:]
    lines = said.stdout.splitlines()
    assert lines[0] == "1 levels in the last hour"
    assert any(line.startswith("XV-205 passing XV-205 is passing") for line in lines[1:]), lines
