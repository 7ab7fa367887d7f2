"""Which register the service goes on under after a start, whatever was cut short or edited meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from hissmark.daemon.takeover import Takeover
from hissmark.decode.decoder import Decoder
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.site.load import load_site
from hissmark.site.register_file import write_register
from hissmark.site.register_text import digest_of, register_text
from hissmark.store import open_store, registers
from hissmark.store.registers import IN_FORCE, OVERTAKEN, How, NewVersion, RegisterVersion
from support.rig import row_of_valves

FIRST = Register.of(row_of_valves(3))
SECOND = Register.of([*row_of_valves(2), replace(row_of_valves(3)[2], valve="XV-9")])
THIRD = Register.of(row_of_valves(4))


class Site:
    """A folder and its store, without a service."""

    def __init__(self, folder: Path) -> None:
        (folder / "site.toml").write_text('name = "x"\n', "utf-8")
        self.folder, self.store = folder, open_store("sqlite:///x.db", folder)
        self.core = load_site_core(folder)

    def start(self) -> tuple[Register, Takeover]:
        """What a start of the service finds."""
        takeover = Takeover(self.folder, self.core, self.store, lambda register: "{}")
        return takeover.at_start(load_site(self.folder).register, 1000), takeover

    def ask(self, register: Register) -> int:
        """Somebody wants a register; the file is not written yet."""
        with self.store.begin() as connection:
            present = registers.in_force(connection)
        wanted = NewVersion(
            "Ann", "why", How.IMPORTED, register_text(register), digest_of(register),
            present.id if present else None,
        )  # fmt: skip
        return registers.ask_for(self.store, wanted, 500)

    def versions(self) -> list[RegisterVersion]:
        with self.store.begin() as connection:
            return registers.read_page(connection, None, 99)


def load_site_core(folder: Path):  # type: ignore[no-untyped-def]
    write_register(folder, register_text(FIRST))
    return load_site(folder).core


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    made = Site(tmp_path)
    yield made
    made.store.dispose()


def test_the_first_start_puts_the_file_on_record(site: Site) -> None:
    register, takeover = site.start()
    assert register == FIRST
    assert takeover.book.waiting() is None
    assert [(v.how, v.outcome, v.base_id) for v in site.versions()] == [(How.FOUND, IN_FORCE, None)]
    assert site.start()[0] == FIRST
    assert len(site.versions()) == 1


def test_an_edit_by_hand_is_taken_over_after_catching_up_under_the_register_before(site: Site) -> None:
    site.start()
    write_register(site.folder, register_text(SECOND))
    register, takeover = site.start()
    assert register == FIRST
    waiting = takeover.book.waiting()
    assert waiting is not None
    assert (waiting.how, waiting.operator, waiting.digest) == (How.FOUND, "", digest_of(SECOND))


@pytest.mark.parametrize("written", [False, True], ids=["before the file was written", "after"])
def test_a_change_cut_short_goes_on(site: Site, written: bool) -> None:
    """Killed between putting it on record and taking it over: it comes into force, and into the file."""
    site.start()
    number = site.ask(SECOND)
    if written:
        write_register(site.folder, register_text(SECOND))
    register, takeover = site.start()
    assert register == FIRST
    waiting = takeover.waiting()
    assert waiting is not None
    assert waiting.id == number
    layout = Layout.of(FIRST, site.core)
    taken = takeover.prepare(waiting, Engine(layout), Decoder((), layout.series_index()))
    assert taken is not None
    assert taken.engine.layout.register == SECOND
    assert load_site(site.folder).register == SECOND


def test_an_edit_by_hand_overtakes_one_that_waits(site: Site) -> None:
    site.start()
    number = site.ask(SECOND)
    write_register(site.folder, register_text(THIRD))
    _, takeover = site.start()
    outcomes = {v.id: v.outcome for v in site.versions()}
    assert outcomes[number] == OVERTAKEN
    waiting = takeover.book.waiting()
    assert waiting is not None
    assert waiting.digest == digest_of(THIRD)


def test_a_folder_that_may_not_be_written_refuses_on_record(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    site.start()
    number = site.ask(SECOND)
    _, takeover = site.start()

    def refuse(self: Path, target: Path) -> None:
        raise OSError(16, "Device or resource busy")  # what a mount of the single file says

    monkeypatch.setattr(Path, "replace", refuse)
    waiting = takeover.waiting()
    assert waiting is not None
    layout = Layout.of(FIRST, site.core)
    assert takeover.prepare(waiting, Engine(layout), Decoder((), layout.series_index())) is None
    outcome = next(v.outcome for v in site.versions() if v.id == number)
    assert outcome is not None
    assert outcome.startswith("refused: register.csv: cannot be replaced")
    assert load_site(site.folder).register == FIRST
