"""Outcomes of repairs reach mail and webhook receivers, with the certificate; what fails is tried again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark.daemon.letters import postman_of, told_of_repairs
from hissmark.notify.build import notifier_of
from hissmark.notify.letters import FIRST_RETRY_US, Postman
from hissmark.notify.notifier import Notifier
from hissmark.site import load_site
from hissmark.site.load import Site
from hissmark.store import open_store
from hissmark.store.letters import LetterBox
from hissmark.store.repair_records import Repair, Work
from support.invented import MINUTE_US, PASSING, QUIET, START_US, STORE_URL, Invented, invented
from support.receivers import HttpReceiver, MailServer

REGISTER = "channel,kind,valve,group,position\n" + "".join(
    f"AS-{g}0{i},valve,XV-{g}0{i},{name},{i}\n"
    for g, name in ((1, "North"), (2, "South yard"))
    for i in range(1, 6)
)


class Bench:
    """The invented plant with receivers that listen."""

    def __init__(self, plant: Invented, folder: Path, hook: HttpReceiver, mail: MailServer) -> None:
        self.plant, self.hook, self.mail = plant, hook, mail
        (folder / "register.csv").write_text(REGISTER)
        (folder / "site.toml").write_text(
            'name = "North works"\n[mqtt]\nhost = "127.0.0.1"\nport = 1\nclient_id = "hm"\n'
            '[[mqtt.source]]\nfilter = "plant/+/levels"\n'
            '[notify]\npage = "https://leaks.north.example"\ngive_up_s = 3600\n'
            f'[[notify.webhook]]\nname = "log"\nurl = "{hook.url}/in"\n'
            f'[[notify.email]]\nname = "team"\nhost = "127.0.0.1"\nport = {mail.port}\ntls = "none"\n'
            'sender = "hm@north.example"\nto = ["team@north.example"]\n'
            f'[[notify.webhook]]\nname = "elsewhere"\nurl = "{hook.url}/other"\ngroups = ["South yard"]\n'
            f'[[notify.webhook]]\nname = "boss"\nurl = "{hook.url}/boss"\nunacknowledged_for_s = 900\n'
        )
        self.site: Site = load_site(folder)
        self.engine = open_store(STORE_URL, folder)
        self.notifier: Notifier = notifier_of(self.site, self.engine, plant.live)
        plant.desk.receivers = lambda group: told_of_repairs(self.notifier, group)
        self.postman: Postman = postman_of(
            self.site, self.notifier, plant.desk, self.engine, self.engine, plant.clock.now_us
        )
        self.box = LetterBox(self.engine, self.engine)

    def mend(self) -> None:
        """A leak, its repair, and the proof, on record."""
        for minute in range(90):
            self.plant.tick({"North": PASSING if minute < 30 else QUIET}, START_US + minute * MINUTE_US)
        self.plant.clock.at_us = START_US + 90 * MINUTE_US
        self.plant.desk.record_repair(Repair("XV-103", START_US + 30 * MINUTE_US, Work.SEAT_LAPPED, "Ola"))
        self.plant.desk.follow_up()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    mail = MailServer()
    with invented(tmp_path, {"North": 5, "South yard": 5}) as plant, HttpReceiver() as hook:
        made = Bench(plant, tmp_path, hook, mail)
        yield made
        made.notifier.reader.close()
        made.engine.dispose()
    mail.close()


def test_an_outcome_is_told_once_to_whom_it_concerns(bench: Bench) -> None:
    bench.mend()
    assert bench.postman.deliver() == 2
    assert bench.postman.deliver() == 0
    [request] = bench.hook.taken
    assert request.path == "/in"
    told = request.json
    assert (told["kind"], told["valve"], told["outcome"]) == ("repair", "XV-103", "tight again")
    assert told["sentence"].startswith("XV-103 is tight again")
    assert told["link"] == "https://leaks.north.example/repairs/1"
    assert "not proof of isolation" in told["note"]
    assert request.headers["idempotency-key"] == told["id"]


def test_mail_carries_the_certificate(bench: Bench) -> None:
    bench.mend()
    bench.postman.deliver()
    [mail] = bench.mail.mails
    assert mail["Subject"] == "North works: repair of XV-103: tight again"
    [part] = mail.iter_attachments()
    assert (part.get_filename(), part.get_content_type()) == ("repair-1.pdf", "application/pdf")
    assert part.get_content().startswith(b"%PDF-")
    body = mail.get_body()
    assert body is not None
    assert "not proof of isolation" in body.get_content()


def test_what_does_not_arrive_is_tried_again_and_given_up_in_time(bench: Bench) -> None:
    bench.hook.answer = lambda _: 503
    bench.mend()
    assert bench.postman.deliver() == 1  # the mail
    assert bench.postman.deliver() == 0  # not due yet
    assert bench.box.waiting() == 1
    bench.plant.clock.at_us += FIRST_RETRY_US
    bench.hook.answer = lambda _: 200
    assert bench.postman.deliver() == 1
    assert len(bench.hook.taken) == 1


def test_a_receiver_that_never_answers_is_given_up(bench: Bench) -> None:
    bench.hook.answer = lambda _: 503
    bench.mend()
    for _ in range(12):
        bench.postman.deliver()
        bench.plant.clock.at_us += 1_000_000_000
    assert bench.box.waiting() == 0


def test_the_shift_finds_a_note(bench: Bench) -> None:
    bench.mend()
    [note] = bench.plant.reader.shift_notes(limit=10)
    assert (note.author, note.valve) == ("hissmark", "XV-103")
    assert note.text.startswith("Repair 1: XV-103 is tight again")
