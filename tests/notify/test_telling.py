"""Each way of telling against a receiver that really listens."""

from __future__ import annotations

import hashlib
import hmac
import json
import subprocess
import threading
import time
from datetime import datetime

import pytest

from hissmark.alarms.journal import (
    ActionKind,
    ActionRequest,
    AlarmEvent,
    AlarmKind,
    AlarmState,
    JournalEntry,
    Priority,
)
from hissmark.notify.message import Message
from hissmark.store.outbox import Waiting
from notify.conftest import Works, outcomes, settled, until
from support.broker import Broker
from support.certificates import Authority
from support.receivers import AlertsServer, HttpReceiver, MailServer, Request


def webhook(url: str, name: str = "log", more: str = "") -> str:
    return f'[[notify.webhook]]\nname = "{name}"\nurl = "{url}/hook"\n{more}\n'


def test_a_webhook_is_signed_and_says_what_the_page_says(works: Works) -> None:
    """The signature is checked with nothing but the standard library, as a receiver would."""
    (works.folder / "key").write_text("not for the repo\n")
    with HttpReceiver() as receiver:
        works.notifier(
            '[notify]\npage = "https://leaks.example"\n' + webhook(receiver.url, more='secret_file = "key"')
        )
        works.plant.raise_alarm("XV-101", ago_min=3)
        until(lambda: receiver.taken, "the message")
        request = receiver.taken[0]
    stamp = request.headers["hissmark-timestamp"]
    digest = hmac.new(b"not for the repo", stamp.encode() + b"." + request.body, hashlib.sha256).hexdigest()
    assert request.headers["hissmark-signature"] == f"v1={digest}"
    said = request.json
    assert said["id"] == request.headers["idempotency-key"]
    assert said["entry"]["valve"] == "XV-101"
    assert said["entry"]["event"] == "raised"
    assert said["sentence"].startswith("XV-101 is passing: 14 dB over its background for 3 min.")
    assert said["link"] == "https://leaks.example/valve/XV-101"
    assert "not proof of isolation" in said["note"]


def mail_to(server: MailServer, more: str = 'tls = "none"') -> str:
    return (
        f'[[notify.email]]\nname = "team"\nhost = "localhost"\nport = {server.port}\n{more}\n'
        'sender = "hm@north.example"\nto = ["a@north.example", "b@north.example"]\n'
    )


def test_mail_arrives_readable_and_a_flood_is_one_mail(works: Works) -> None:
    server = MailServer(answer="451 not now")
    try:
        notifier = works.notifier(mail_to(server))
        valves = ("XV-101", "XV-102", "XV-201")
        for valve in valves:
            works.plant.raise_alarm(valve)
        until(lambda: notifier.outbox.waiting().get("team", (0, 0))[0] == 3, "all three")
        until(lambda: "451" in notifier.senders[0].condition.trouble, "the refusal")
        server.answer = "250 OK"
        settled(notifier, 3)
    finally:
        server.close()
    (mail,) = server.mails
    text = mail.get_content()
    assert all(f"{v} is passing: 14 dB over its background" in text for v in valves)
    assert "not proof of isolation" in text
    assert mail["From"] == "hm@north.example"
    assert mail["To"] == "a@north.example, b@north.example"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834
    assert mail["Message-ID"].endswith("@north.example>")
    assert mail["Subject"].strip().startswith("North works: 3 alarm messages, first XV-101")


def test_mail_over_starttls_with_a_sign_in(works: Works) -> None:
    """Certificate and password are checked; a server without our authority is not told anything."""
    authority = Authority(works.folder / "tls")
    (works.folder / "pw").write_text("s3cret\n")
    server = MailServer(users={"hm": "s3cret"}, tls=authority.issue("mail", "DNS:localhost"))
    try:
        secure = f'username = "hm"\npassword_file = "pw"\nca_file = "{authority.cert}"\n'
        notifier = works.notifier(mail_to(server, secure))
        works.plant.raise_alarm("XV-101")
        settled(notifier, 1)
        assert len(server.mails) == 1
        notifier.stop()
        stranger = works.notifier(mail_to(server, 'username = "hm"\npassword_file = "pw"\n'))
        works.plant.raise_alarm("XV-102")
        until(lambda: "certificate" in stranger.senders[0].condition.trouble, "the distrust")
        assert len(server.mails) == 1
    finally:
        server.close()


def test_a_message_is_whole_also_before_the_pages_know_of_it(works: Works) -> None:
    """The journal is committed a moment before the live state is told."""
    with HttpReceiver() as receiver:
        works.notifier(webhook(receiver.url))
        entry = JournalEntry(
            works.clock.at_us - 180_000_000, "XV-102", "North", AlarmKind.PASSING, AlarmEvent.RAISED,
            AlarmState.UNACKNOWLEDGED, Priority.HIGH, 12.0, 4.0, "heard",
        )  # fmt: skip
        with works.plant.writer.transaction() as tx:
            tx.journal([entry])
        until(lambda: receiver.taken, "the message")
    said = receiver.taken[0].json
    assert said["sentence"].startswith("XV-102 is passing: 12 dB over its background for 3 min.")
    assert said["advice"].startswith("Check that it is fully closed")


@pytest.mark.broker
def test_mqtt_publishes_under_the_topic_and_waits_for_the_broker(works: Works, broker: Broker) -> None:
    works.broker = (broker.host, broker.port)
    topic = 'topic = "north/alarms/{group}/{valve}/{priority}"\nretain = true\n'
    notifier = works.notifier(f'[[notify.mqtt]]\nname = "bus"\n{topic}')
    works.plant.raise_alarm("XV-201", priority=Priority.LOW)
    settled(notifier, 1)
    heard = subprocess.run(
        ["mosquitto_sub", "-h", broker.host, "-p", str(broker.port), "-t", "north/#", "-C", "1", "-v", "-W", "5"],  # noqa: E501
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    where, _, payload = heard.partition(" {")
    assert where == "north/alarms/South yard/XV-201/low"
    assert json.loads("{" + payload)["entry"]["group"] == "South yard"


@pytest.mark.broker
def test_a_broker_that_is_away_is_told_when_it_is_back(works: Works, broker: Broker) -> None:
    works.broker = (broker.host, broker.port)
    notifier = works.notifier('[[notify.mqtt]]\nname = "bus"\nretain = true\n')
    works.plant.raise_alarm("XV-201")
    settled(notifier, 1)
    broker.stop()
    works.plant.clear_alarm("XV-201")
    until(lambda: notifier.senders[0].condition.trouble, "the trouble")
    broker.start()
    assert set(settled(notifier, 2).values()) == {"sent"}


def manager(server: AlertsServer, more: str = "") -> str:
    return f'[[notify.alertmanager]]\nname = "am"\nurl = "{server.url}"\n{more}\n'


def test_an_alert_stands_as_long_as_the_alarm_calls_for_attention(works: Works) -> None:
    with AlertsServer() as server:
        works.notifier(manager(server))
        works.plant.raise_alarm("XV-101")
        (labels,) = until(server.standing, "the alert")
        assert labels == {
            "alertname": "hissmark_passing", "site": "North works", "group": "North", "valve": "XV-101",
            "priority": "high",
        }  # fmt: skip
        works.plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-101", AlarmKind.PASSING, "op"))
        works.plant.clear_alarm("XV-101")
        until(lambda: not server.standing(), "its end")
        assert len(server.alerts) == 1
        (alert,) = server.alerts.values()
        assert "back to normal" in alert["annotations"]["summary"]


def test_a_server_that_lost_its_memory_learns_what_stands(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when it never heard of it: raised before the notifier first started."""
    works.plant.raise_alarm("XV-101")
    with AlertsServer() as server:
        notifier = works.notifier(manager(server, "resend_s = 10"))
        until(server.standing, "what stood before")
        server.alerts.clear()
        notifier.receivers[0].channel._due_s = 0.0  # type: ignore[attr-defined]
        (labels,) = until(server.standing, "what stands")
        assert labels["valve"] == "XV-101"
        ends = datetime.fromisoformat(next(iter(server.alerts.values()))["endsAt"])
        assert (ends - datetime.now(ends.tzinfo)).total_seconds() > 80_000  # our silence is no repair


@pytest.mark.parametrize("status", [500, 503, 429, 408])
def test_what_may_succeed_later_is_tried_again_under_the_same_key(works: Works, status: int) -> None:
    keys: list[str] = []

    def answer(request: Request) -> int:
        keys.append(request.headers["idempotency-key"])
        return status if len(keys) < 3 else 204

    with HttpReceiver(answer) as receiver:
        notifier = works.notifier(webhook(receiver.url))
        works.plant.raise_alarm("XV-101")
        assert list(settled(notifier, 1).values()) == ["sent"]
        assert len(keys) == 3
        assert len(set(keys)) == 1
        assert notifier.outbox.rows()[0].attempts == 2


def test_what_is_refused_for_good_does_not_hold_up_what_follows(works: Works) -> None:
    with HttpReceiver(lambda r: 400 if r.json["entry"]["valve"] == "XV-101" else 200) as receiver:
        notifier = works.notifier(webhook(receiver.url))
        works.plant.raise_alarm("XV-101")
        works.plant.raise_alarm("XV-102")
        assert sorted(settled(notifier, 2).values(), key=str) == ["refused", "sent"]
        row = next(r for r in notifier.outbox.rows() if r.outcome == "refused")
        assert "answered 400" in row.last_error


def test_a_dead_receiver_delays_nobody(works: Works) -> None:
    """One that never answers, one that is not there: the third is told at once."""
    hold = threading.Event()

    def never(_: Request) -> int:
        hold.wait(20)
        return 200

    with HttpReceiver(never) as slow, HttpReceiver() as quick:
        tables = (
            webhook(slow.url, "slow") + webhook("http://127.0.0.1:9", "absent") + webhook(quick.url, "quick")
        )
        notifier = works.notifier(tables)
        works.plant.raise_alarm("XV-101")
        until(lambda: quick.taken, "the quick one", 3.0)
        trouble = until(lambda: notifier.senders[1].condition.trouble, "the absent one's trouble")
        assert "refused" in trouble
        assert outcomes(notifier)[("slow", 1, "event")] is None
        hold.set()


def test_mail_that_the_server_refuses_for_good_is_given_up_and_for_now_is_kept(works: Works) -> None:
    """RFC 5321: 4yz later, 55z never."""
    server = MailServer(answer="451 try later")
    try:
        notifier = works.notifier(
            f'[[notify.email]]\nname = "team"\nhost = "127.0.0.1"\nport = {server.port}\ntls = "none"\n'
            'sender = "hm@north.example"\nto = ["a@north.example"]\n'
        )
        works.plant.raise_alarm("XV-101")
        until(lambda: "451" in notifier.senders[0].condition.trouble, "the refusal")
        server.answer = "554 never"
        assert list(settled(notifier, 1).values()) == ["refused"]
        server.answer = "250 OK"
        works.plant.clear_alarm("XV-101")
        settled(notifier, 2)
        assert len(server.mails) == 1
    finally:
        server.close()


def test_a_receiver_that_hangs_does_not_hold_up_stopping(works: Works) -> None:
    """The service has ten seconds for everything."""
    hold = threading.Event()

    def never(_: Request) -> int:
        hold.wait(20)
        return 200

    with HttpReceiver(never) as slow:
        notifier = works.notifier(webhook(slow.url))
        works.plant.raise_alarm("XV-101")
        until(lambda: notifier.outbox.waiting(), "the plan")
        time.sleep(0.3)
        began_s = time.monotonic()
        notifier.stop()
        assert time.monotonic() - began_s < 2.0
        hold.set()


def test_a_fault_of_our_own_is_given_up_in_time_and_silences_nobody_for_good(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    with HttpReceiver() as receiver:
        notifier = works.notifier("[notify]\ngive_up_s = 60\n" + webhook(receiver.url), start=False)
        whole = notifier.compose

        def compose(row: Waiting) -> Message:
            if row.entry.entry.valve == "XV-101":
                raise ZeroDivisionError
            return whole(row)

        monkeypatch.setattr(notifier.senders[0], "_compose", compose)
        notifier.start()
        works.plant.raise_alarm("XV-101")
        until(lambda: notifier.senders[0].condition.trouble, "the fault")
        works.clock.at_us += 120_000_000
        works.plant.raise_alarm("XV-102", ago_min=0)
        found = settled(notifier, 2)
        notifier.stop()
    assert sorted(v or "" for v in found.values()) == ["given up", "sent"]
