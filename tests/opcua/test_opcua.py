"""The OPC UA server against asyncua's own client: values, history, alarms, who may, whom it trusts.

Sources: OPC 10000-4 (status codes, security), 10000-9 (alarms; table B.1), 10000-11 (history).
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Coroutine, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("asyncua")
from asyncua import Client, ua
from asyncua.crypto import security_policies as sp

from hissmark.access.roles import Role
from hissmark.opcua.server import Options
from support.invented import PASSING, QUIET, START_US, Invented, invented
from support.opcua_served import APP, client_files, served
from support.people import NAMES, PASSWORD, People

GROUP = "Steam header B"
START = datetime.fromtimestamp(START_US / 1e6, UTC)
ACKNOWLEDGE, REFRESH, CONDITION_TYPE = ua.NodeId(9111), ua.NodeId(3875), ua.NodeId(2782)
FIELDS = ("ActiveState/Id", "AckedState/Id", "Retain")


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {GROUP: 5}) as made:
        made.hear([c.source for c in made.layout.channels])
        made.tick({GROUP: QUIET})
        yield made


@pytest.fixture
def people(tmp_path: Path) -> Iterator[People]:
    found = People(tmp_path).everybody()
    yield found
    found.close()


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Options]:
    """A server with users and encryption only, for tests that leave nothing behind on it."""
    people = People(tmp_path_factory.mktemp("people")).everybody()
    with (
        invented(tmp_path_factory.mktemp("plant"), {GROUP: 5}) as plant,
        served(plant, people.book, unencrypted=False) as options,
    ):
        yield options
    people.close()


def run(work: Coroutine[Any, Any, None]) -> None:
    asyncio.run(asyncio.wait_for(work, 60))


@asynccontextmanager
async def calling(options: Options, user: str | None = None) -> AsyncIterator[Client]:
    client = Client(options.address, timeout=10)
    if user is not None:
        client.set_user(user)
        client.set_password(PASSWORD)
    async with client:
        yield client


async def node_of(client: Client, options: Options, *path: str) -> Any:
    index = await client.get_namespace_index(options.uri)
    names = [f"{index}:{part}" for part in ("North works", *path)]
    return await client.nodes.objects.get_child(names)


async def eventually(condition: Any, what: str) -> Any:
    for _ in range(100):
        found = await condition()
        if found:
            return found
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited in vain for {what}")


# --- values ---


def test_the_register_is_the_address_space_and_values_carry_unit_time_and_quality(plant: Invented) -> None:
    plant.tick({GROUP: PASSING})

    async def look() -> None:
        async with calling(options) as client:
            level = await node_of(client, options, GROUP, "XV-103", "Level")
            shown = await eventually(lambda: judged(level), "the tick's value")
            assert shown.Value.Value == pytest.approx(37.2)
            assert shown.Value.VariantType == ua.VariantType.Float
            assert shown.SourceTimestamp == START
            assert shown.StatusCode.is_good()
            unit = await (await level.get_child("0:EngineeringUnits")).read_value()
            assert (unit.UnitId, unit.DisplayName.Text) == (0x324E, "dB")  # UNECE Recommendation 20: 2N
            verdict = await node_of(client, options, GROUP, "XV-103", "Verdict")
            assert await verdict.read_value() == "passing"
            point = await node_of(client, options, GROUP, "AR-101", "Level")
            assert (await point.read_data_value()).StatusCode.is_good()

    async def judged(level: Any) -> Any:
        shown = await level.read_data_value(raise_on_bad_status=False)
        return shown if shown.SourceTimestamp == START else None

    with served(plant) as options:
        run(look())


def test_what_is_old_is_uncertain_and_what_is_unknown_bad(plant: Invented) -> None:
    plant.clock.at_us += 3_600_000_000  # nothing was heard for an hour

    async def look() -> None:
        async with calling(options) as client:
            level = await node_of(client, options, GROUP, "XV-101", "Level")
            leak = await node_of(client, options, GROUP, "XV-101", "LeakLevel")

            async def old() -> bool:
                shown = await level.read_data_value(raise_on_bad_status=False)
                return shown.StatusCode.value == ua.StatusCodes.UncertainLastUsableValue

            await eventually(old, "the value turns uncertain")
            unknown = await leak.read_data_value(raise_on_bad_status=False)
            assert unknown.StatusCode.value == ua.StatusCodes.BadNoData

    with served(plant) as options:
        run(look())


def test_nobody_can_write(plant: Invented) -> None:
    async def look() -> None:
        async with calling(options) as client:
            level = await node_of(client, options, GROUP, "XV-101", "Level")
            with pytest.raises(ua.UaStatusCodeError):
                await level.write_value(ua.Variant(99.0, ua.VariantType.Float))

    with served(plant) as options:
        run(look())


# --- history ---


def test_history_of_levels_in_both_directions_and_in_parts(plant: Invented) -> None:
    minute = timedelta(minutes=1)
    plant.clock.at_us += 180 * 60_000_000
    for k in range(1, 181):
        plant.tick({GROUP: PASSING if k > 120 else QUIET}, START_US + k * 60_000_000)

    async def look() -> None:
        async with calling(options) as client:
            level = await node_of(client, options, GROUP, "XV-103", "Level")
            found = await level.read_raw_history(START, START + 181 * minute)
            assert [v.SourceTimestamp for v in found] == [START + k * minute for k in range(181)]
            assert found[120].Value.Value == pytest.approx(27.7)
            assert found[121].Value.Value == pytest.approx(37.2)
            part = await level.read_raw_history(START, START + 181 * minute, 10)
            assert [v.SourceTimestamp for v in part[:10]] == [START + k * minute for k in range(10)]
            newest = await level.read_raw_history(None, START + 181 * minute, 3)
            assert [v.SourceTimestamp for v in newest[:3]] == [START + k * minute for k in (180, 179, 178)]
            back = await level.read_raw_history(START + 20 * minute, START + 17 * minute)
            assert [v.SourceTimestamp for v in back] == [START + k * minute for k in (20, 19, 18)]

    with served(plant) as options:
        run(look())


# --- alarms ---


class Heard:
    """Events of a subscription, newest last."""

    def __init__(self) -> None:
        self.events: list[Any] = []

    def event_notification(self, event: Any) -> None:
        self.events.append(event)

    def states(self, valve: str) -> list[tuple[bool, bool, bool]]:
        rows = [e for e in self.events if getattr(e, "SourceName", "") == valve]
        return [tuple(bool(getattr(e, name)) for name in FIELDS) for e in rows]  # type: ignore[misc]


@asynccontextmanager
async def listening(client: Client, options: Options) -> AsyncIterator[tuple[Heard, int]]:
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    site = await node_of(client, options)
    await subscription.subscribe_alarms_and_conditions(site, ua.NodeId(ua.ObjectIds.AlarmConditionType))
    yield heard, subscription.subscription_id


async def acknowledge(client: Client, event: Any, comment: str = "") -> None:
    condition = client.get_node(event.NodeId)
    await condition.call_method(
        ACKNOWLEDGE, ua.Variant(event.EventId, ua.VariantType.ByteString), ua.LocalizedText(comment)
    )


def test_an_alarm_is_raised_acknowledged_and_comes_to_rest(plant: Invented, people: People) -> None:
    """Table B.1 of OPC 10000-9, without confirmation: (active, acked, retain) TFT, TTT, FTF."""

    async def look() -> None:
        async with calling(options, NAMES[Role.OPERATOR]) as client, listening(client, options) as (heard, _):
            plant.raise_alarm("XV-103")

            async def came(n: int) -> bool:
                return len(heard.states("XV-103")) >= n

            await eventually(lambda: came(1), "the event of the alarm")
            event = heard.events[-1]
            assert (event.SourceName, event.ConditionName, event.Severity) == ("XV-103", "passing", 800)
            assert "XV-103 is passing" in event.Message.Text
            await acknowledge(client, event, "crew is on its way")
            await eventually(lambda: came(2), "the event of the acknowledgement")
            with pytest.raises(ua.UaStatusCodeError) as again:
                await acknowledge(client, heard.events[-1])
            assert again.value.code == ua.StatusCodes.BadConditionBranchAlreadyAcked
            plant.clear_alarm("XV-103")
            await eventually(lambda: came(3), "the event of its end")
            assert heard.states("XV-103") == [
                (True, False, True), (True, True, True), (False, True, False)
            ]  # fmt: skip

    with served(plant, people.book) as options:
        run(look())
    entries = plant.context.reader.journal(before_seq=2**62, limit=10)
    said = [e.entry for e in entries if e.entry.event == "acknowledged"]
    assert [(e.operator, e.comment) for e in said] == [("otto", "crew is on its way")]


def test_refresh_tells_a_newcomer_what_stands(plant: Invented) -> None:
    plant.raise_alarm("XV-102")

    async def look() -> None:
        async with calling(options) as client:
            await asyncio.sleep(1.2)  # the first event went by before anybody listened
            async with listening(client, options) as (heard, subscription):
                await client.get_node(CONDITION_TYPE).call_method(
                    REFRESH, ua.Variant(subscription, ua.VariantType.UInt32)
                )

                async def came() -> bool:
                    return heard.states("XV-102") == [(True, False, True)]

                await eventually(came, "the standing alarm")

    with served(plant) as options:
        run(look())


def test_an_event_of_another_condition_is_not_accepted(plant: Invented) -> None:
    async def look() -> None:
        async with calling(options) as client, listening(client, options) as (heard, _):
            plant.raise_alarm("XV-102")

            async def came() -> bool:
                return bool(heard.states("XV-102"))

            await eventually(came, "the event")
            event = heard.events[-1]
            event.EventId = b"never was one"
            with pytest.raises(ua.UaStatusCodeError) as unknown:
                await acknowledge(client, event)
            assert unknown.value.code == ua.StatusCodes.BadEventIdUnknown

    with served(plant) as options:
        run(look())


# --- who may ---


@pytest.mark.parametrize("user", [None, "otto", "nobody"])
def test_without_the_right_password_nobody_comes_in(
    guarded: Options, tmp_path: Path, user: str | None
) -> None:
    async def look() -> None:
        client = await trusted(guarded, tmp_path / "client")
        if user is not None:
            client.set_user(user)
            client.set_password("wrong")
        with pytest.raises((ua.UaError, ConnectionError)):
            await client.connect()

    run(look())


async def trusted(options: Options, folder: Path) -> Client:
    """A client whose certificate is trusted, without a user."""
    cert, key = await client_files(folder)
    (options.folder / "trusted" / f"{folder.parent.name}.der").write_bytes(cert.read_bytes())
    made = Client(options.address, timeout=10)
    made.application_uri = APP
    mode = ua.MessageSecurityMode.SignAndEncrypt
    await made.set_security(sp.SecurityPolicyBasic256Sha256, cert, key, mode=mode)
    return made


# --- encryption ---


@pytest.mark.parametrize(
    "policy",
    [
        sp.SecurityPolicyBasic256Sha256,
        sp.SecurityPolicyAes128Sha256RsaOaep,
        sp.SecurityPolicyAes256Sha256RsaPss,
    ],
)
def test_encrypted_for_clients_whose_certificate_is_trusted(
    guarded: Options, tmp_path: Path, policy: Any
) -> None:
    """A stranger is refused and its certificate kept; moved to `trusted/` it gets in without a restart."""

    async def client() -> Client:
        cert, key = await client_files(tmp_path / "client")
        made = Client(guarded.address, timeout=10)
        made.application_uri = APP
        made.set_user(NAMES[Role.VIEWER])
        made.set_password(PASSWORD)
        await made.set_security(policy, cert, key, mode=ua.MessageSecurityMode.SignAndEncrypt)
        return made

    async def look() -> None:
        with pytest.raises((ua.UaError, ConnectionError)):
            await (await client()).connect()
        (kept,) = (guarded.folder / "rejected").iterdir()
        kept.rename(guarded.folder / "trusted" / kept.name)
        async with await client() as inside:
            level = await node_of(inside, guarded, GROUP, "XV-101", "Level")
            await level.read_data_value(raise_on_bad_status=False)

    run(look())


def test_no_open_endpoint_unless_asked_for(guarded: Options) -> None:
    async def look() -> None:
        with pytest.raises((ua.UaError, ConnectionError)):
            await Client(guarded.address, timeout=10).connect()
        offered = await Client(guarded.address, timeout=10).connect_and_get_server_endpoints()
        assert {e.SecurityMode for e in offered} == {ua.MessageSecurityMode.SignAndEncrypt}
        assert len(offered) == 3

    run(look())
