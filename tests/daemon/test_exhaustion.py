"""No memory is left: whichever part finds out, the service ends, and nothing is turned away for it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from hissmark.daemon.errands import Errands
from hissmark.daemon.exhaustion import end_when_exhausted, is_exhaustion
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.source import MqttSource


@pytest.fixture
def given_up() -> Iterator[threading.Event]:
    """Set once the service is told to give up; what was heard before of dying threads is heard again."""
    before, event = threading.excepthook, threading.Event()
    heard: list[type[BaseException]] = []
    threading.excepthook = lambda told: heard.append(told.exc_type)
    end_when_exhausted(event.set)
    yield event
    threading.excepthook = before


def die_of(error: BaseException) -> None:
    def run() -> None:
        raise error

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()


@pytest.mark.parametrize("error", [MemoryError(), RuntimeError("can't start new thread")], ids=str)
def test_a_thread_that_dies_for_want_of_memory_ends_the_service(
    given_up: threading.Event, error: BaseException
) -> None:
    die_of(error)
    assert given_up.is_set()


def test_a_thread_that_dies_of_something_else_is_told_as_ever(given_up: threading.Event) -> None:
    die_of(ValueError("a mistake"))
    assert not given_up.is_set()
    assert not is_exhaustion(RuntimeError("something else"))


class NoRoom(bytes):
    """A payload that cannot be read for want of memory."""

    def __len__(self) -> int:
        raise MemoryError


def test_no_message_is_turned_away_because_there_is_no_memory() -> None:
    """It would be acknowledged, and its samples lost."""
    decoder = Decoder((MqttSource("plant/#"),), {"AX-1": 0})
    with pytest.raises(MemoryError):
        decoder.decode([Message("plant/a", NoRoom(b"[]"), 1)], 1)


def owner(errands: Errands[None]) -> None:
    """Between two rounds, for ever."""
    while True:
        errands.do_one(None)


def test_an_errand_that_gets_no_memory_ends_its_owner() -> None:
    """What it was changing may be half changed; whoever asked hears of it too."""
    errands: Errands[None] = Errands()

    def change(_: None) -> None:
        raise MemoryError

    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(errands.do, change)
        with pytest.raises(MemoryError):
            owner(errands)
        assert isinstance(asked.exception(), MemoryError)
