"""What the web side needs from the service."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any

from fastapi import Depends, Request

from hissmark.access.book import Book
from hissmark.access.roles import Identity
from hissmark.alarms.journal import ActionRequest
from hissmark.appraise.desk import WorthDesk
from hissmark.engine.change import Change
from hissmark.engine.telling import Story
from hissmark.notify.notifier import Notifier
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.repairs.desk import Desk
from hissmark.store.archive.holds import HoldDesk
from hissmark.store.letters import LetterBox
from hissmark.store.notes import ShiftNote
from hissmark.store.reader import Reader
from hissmark.tune.runs import Runs
from hissmark.upkeep.baseline_desk import BaselineDesk
from hissmark.upkeep.register_book import RegisterBook
from hissmark.web.callers import Proxies

CALLER = "hissmark.caller"
IDENTITY = "hissmark.identity"
"""Where a request's scope holds what the gate found out (`Caller`, `Identity`)."""


@dataclass(frozen=True, slots=True)
class ActionOutcome:
    """What became of an operator's action.

    Attributes:
        applied: whether the alarm's state changed.
        message: what happened or why not, in one sentence for the operator.
        action_id: its number on record; 0 if it was refused before being recorded.
        at_us: event time after which it took effect, None if it did not.
    """

    applied: bool
    message: str
    action_id: int = 0
    at_us: int | None = None


Act = Callable[[ActionRequest], ActionOutcome]
"""Carries out an action; returns once it is durable and applied (or refused). May raise TimeoutError."""

MakeChange = Callable[[Change], ActionOutcome]
"""Puts a change on record; returns once it is taken up or refused. May raise TimeoutError."""
Tell = Callable[[str], Story | None]

WriteNote = Callable[[str, str, str | None], ShiftNote]
"""Puts a note on record: author, text, valve or None. Durable once it returns."""


@dataclass(frozen=True, slots=True)
class WebContext:
    """Everything the web side reads from, and the one thing it can do.

    Attributes:
        act: called in a thread of the web server, never in its event loop.
        settings: the site's settings as shown to people, without secrets.
        demo: whether this is the demo's invented plant.
        no_data_s: /health/ready fails when no sample was heard for this long (seconds); a site whose
            sensors report more rarely is allowed three of its shortest intervals.
        change: like `act`, for settings, baselines, losses, repairs; None where nothing judges.
        write_note: puts a note of the shift on record.
        notifier: who tells others of alarms.
        book: the users; None where everybody may do everything (the demo).
        proxies: addresses whose word about others is believed.
        tls: whether the service itself encrypts.
        desk: takes findings and repairs, follows their checks.
        tuning: trials of settings in the background; None where there is no site folder to try on.
        tell: the story of a channel (by its name) as of this moment; None where no engine is at hand, and it
            is worked out from the store. May raise TimeoutError.
        letters: keeps the reports that were made on a schedule.
        holds: what may not be deleted; None where nothing is.
        worth: values leaks, takes measured ones and assumptions.
        registers: the register and its versions. baselines: what was learned, and changes by people.
        user: who asks, in the context of one request; None while nobody has to sign in.
    """

    live: LiveState
    reader: Reader
    act: Act
    metrics: Metrics
    site_name: str
    settings: Callable[[], Mapping[str, Any]] = field(default=dict)
    demo: bool = False
    no_data_s: float = 300.0
    change: MakeChange | None = None
    write_note: WriteNote | None = None
    notifier: Notifier | None = None
    book: Book | None = None
    proxies: Proxies = field(default_factory=Proxies)
    tls: bool = False
    desk: Desk | None = None
    tuning: Runs | None = None
    tell: Tell | None = None
    worth: WorthDesk | None = None
    registers: RegisterBook | None = None
    baselines: BaselineDesk | None = None
    letters: LetterBox | None = None
    holds: HoldDesk | None = None
    user: Identity | None = None

    def who(self, claimed: str) -> str:
        """The name to put on record: that of whoever is signed in, else what the request says of itself."""
        return claimed.strip() if self.user is None else self.user.name

    def of(self, user: Identity) -> WebContext:
        """The same for one user: whatever a request claims, the user is who acted."""

        def act(request: ActionRequest) -> ActionOutcome:
            return self.act(replace(request, operator=user.name))

        def change(wanted: Change) -> ActionOutcome:
            if self.change is None:
                raise RuntimeError("this service takes no changes")
            return self.change(replace(wanted, operator=user.name))

        def write_note(author: str, text: str, valve: str | None) -> ShiftNote:
            if self.write_note is None:
                raise RuntimeError("this service takes no notes")
            return self.write_note(user.name, text, valve)

        return replace(
            self, user=user, act=act, change=self.change and change, write_note=self.write_note and write_note
        )


def _context(request: Request) -> WebContext:
    context: WebContext = request.app.state.context
    user: Identity | None = request.scope.get(IDENTITY)
    return context if user is None else context.of(user)


Context = Annotated[WebContext, Depends(_context)]
