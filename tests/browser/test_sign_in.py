"""Signing in, acting and signing out as a person does it, in a real Chromium."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from hissmark.access.roles import Role
from hissmark.web import create_app
from support.browser import Browser, Server, serving
from support.invented import PASSING, Invented
from support.people import BY, PASSWORD, People
from support.room import GROUPS

pytestmark = pytest.mark.browser


@pytest.fixture
def guarded(plant: Invented, one_browser: Browser) -> Iterator[tuple[Browser, Server, People]]:
    """A plant with a leak and users."""
    plant.tick(dict.fromkeys(GROUPS[:1], PASSING))
    plant.raise_alarm(plant.layout.channels[2].subject)
    people = People(plant.folder).everybody()
    with serving(create_app(replace(plant.context, book=people.book))) as server:
        yield one_browser, server, people
        one_browser.driver.delete_all_cookies()
        one_browser.run("localStorage.clear()")
        one_browser.driver.get("about:blank")
        one_browser.complaints()
    people.close()


def fill(browser: Browser, name: str, password: str) -> None:
    browser.wait("input[name=name]").clear()
    browser.all("input[name=name]")[0].send_keys(name)
    browser.all("input[name=password]")[0].send_keys(password + "\n")


def test_from_the_form_to_an_alarm_and_out(guarded: tuple[Browser, Server, People], plant: Invented) -> None:
    """One is led to the form and back to where one wanted to go; acts under one's own name; signs out."""
    browser, server, _ = guarded
    browser.driver.get(server.url + "/journal")
    fill(browser, "otto", "wrong")
    browser.wait_text(".trouble", "Name or password is wrong.")
    fill(browser, "otto", PASSWORD)
    browser.wait("main .panel")
    assert browser.driver.current_url == server.url + "/journal"
    browser.wait_text("form.account", "otto")
    browser.complaints()  # the 403 of the wrong password

    browser.open(server.url + "/")
    browser.wait("form.account")
    browser.wait("button.acknowledge").click()
    assert browser.wait("dialog input[name=operator]").get_property("value") == "otto"
    browser.wait("dialog button.acknowledge").click()
    browser.wait_text(".alarm .state", "acknowledged by otto")
    assert [row.request.operator for row in plant.reader.actions()] == ["otto"]
    assert browser.complaints() == []

    browser.wait("form.account button").click()
    browser.wait("input[name=password]")
    browser.driver.get(server.url + "/")
    browser.wait("input[name=password]")


def test_a_viewer_is_told_that_it_takes_an_operator(guarded: tuple[Browser, Server, People]) -> None:
    """The page hides the deeds from a viewer; one who became one with the page open is told."""
    browser, server, people = guarded
    browser.driver.get(server.url + "/")
    fill(browser, "otto", PASSWORD)
    browser.wait("form.account")
    people.book.set_role("otto", Role.VIEWER, BY)
    browser.wait(".alarm button.acknowledge").click()
    browser.wait("dialog button.acknowledge").click()
    browser.wait_text("dialog .trouble", "needs the role operator; otto has the role viewer")


def test_a_session_that_ends_leads_to_the_form(guarded: tuple[Browser, Server, People]) -> None:
    """The next thing the page asks for; it does not go on looking calm."""
    browser, server, people = guarded
    browser.driver.get(server.url + "/journal")
    fill(browser, "eva", PASSWORD)
    browser.wait("form.account")
    people.book.set_role("eva", Role.VIEWER, BY)
    people.book.disable("eva", BY)
    # it may have asked by itself already
    browser.run("document.querySelector('nav a[data-page=journal]')?.click()")
    browser.wait("input[name=password]")
    assert browser.driver.current_url.startswith(server.url + "/sign-in?next=%2Fjournal")


def test_a_viewer_sees_what_stands_but_no_deeds(
    guarded: tuple[Browser, Server, People], plant: Invented
) -> None:
    """Neither buttons nor keys nor the form for a note: the service would refuse them all."""
    browser, server, _ = guarded
    browser.driver.get(server.url + "/handover")
    fill(browser, "vera", PASSWORD)
    browser.wait("form.account")
    browser.wait(".notes .none")
    assert not browser.all(".note-form")[0].is_displayed()
    browser.open(server.url + "/")
    browser.wait("form.account")
    browser.wait(".alarm.unacknowledged")
    assert [b.text for b in browser.all(".alarm button") if b.is_displayed()] == []
    browser.run("document.querySelector('.alarm').focus()")
    browser.press("asom")
    browser.press("?")
    assert browser.wait("dialog[open] h2").text == "Keys"
    assert plant.reader.actions() == []


def test_a_note_bears_the_name_of_who_is_signed_in(
    guarded: tuple[Browser, Server, People], plant: Invented
) -> None:
    browser, server, _ = guarded
    browser.driver.get(server.url + "/handover")
    fill(browser, "otto", PASSWORD)
    browser.wait("form.account")
    browser.wait(".note-form textarea").send_keys("All valves walked.")
    assert browser.all(".note-form [name=operator]")[0].get_property("value") == "otto"
    browser.all(".note-form button")[0].click()
    browser.wait_text(".notes", "All valves walked.")
    assert [note.author for note in plant.reader.shift_notes(limit=5)] == ["otto"]
