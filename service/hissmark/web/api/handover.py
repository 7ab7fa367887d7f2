"""Shift handover: the summary of a shift, and the notes that go with it."""

from __future__ import annotations

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.figures.handover import as_text, handover_of
from hissmark.publish.alarm_shapes import journal_shape
from hissmark.publish.shapes import JournalShape
from hissmark.publish.times import rfc3339
from hissmark.store.notes import ShiftNote
from hissmark.store.records import JournalRow
from hissmark.web.answers import answer
from hissmark.web.context import Context
from hissmark.web.paging import next_link
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, Limit, OptionalName, Seq, SpanQuery
from hissmark.web.problems import DOCUMENTED, not_found, problem
from hissmark.web.spans import before, entries, span_of

router = APIRouter(prefix="/handover", tags=["handover"], responses=DOCUMENTED)

SHIFT_US = 12 * 3600 * 1_000_000
MOST_LISTED = 500


class Note(TypedDict):
    """One note of a shift; `valve` null if it is about the shift as a whole."""

    id: int
    at: str
    author: str
    valve: str | None
    text: str


class Part(TypedDict):
    """Some entries of the journal, the newest `MOST_LISTED` of them, and how many there are in all."""

    count: int
    entries: list[JournalShape]


class Shift(TypedDict):
    """One shift. `stood` and `stand` hold the last entry of each alarm that was not at rest at its beginning
    and end. `text` is the whole as plain lines, for a shift log.
    """

    since: str
    until: str
    stood: Part
    came: Part
    went: Part
    acknowledged: Part
    put_aside: Part
    came_back: Part
    stand: Part
    notes: list[Note]
    text: str


class Notes(TypedDict):
    """A page of notes, newest first."""

    notes: list[Note]
    next: str | None


class NewNote(BaseModel):
    """What to leave to the next shift, and who writes it."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    text: str = Field(min_length=1, max_length=4000, pattern=TEXT)
    valve: str | None = Field(default=None, min_length=1, max_length=200, pattern=PLAIN)


@router.get("", response_model=Shift)
def handover(context: Context, span: SpanQuery, group: OptionalName = None) -> Response:
    """What stood, came, went, was put aside, and the notes; by default of the last 12 hours."""
    from_us, to_us = span_of(span, context.live.clock.now_us(), SHIFT_US)
    rows = entries(context.reader, from_us, to_us, group)
    found = handover_of(before(context.reader, from_us, group), rows)
    notes = context.reader.shift_notes(from_us=from_us, to_us=to_us, limit=MOST_LISTED)[::-1]
    shift: Shift = {
        "since": rfc3339(from_us),
        "until": rfc3339(to_us),
        "stood": _part(found.stood),
        "came": _part(found.came),
        "went": _part(found.went),
        "acknowledged": _part(found.acknowledged),
        "put_aside": _part(found.put_aside),
        "came_back": _part(found.came_back),
        "stand": _part(found.stand),
        "notes": [_note(note) for note in notes],
        "text": as_text(found, notes, from_us, to_us),
    }
    return answer(shift)


@router.get("/notes", response_model=Notes)
def notes(context: Context, span: SpanQuery, limit: Limit = 100, before: Seq = None) -> Response:
    """The notes, newest first."""
    rows = context.reader.shift_notes(from_us=span.from_us, to_us=span.to_us, before_id=before, limit=limit)
    query = {
        "limit": limit,
        "before": rows[-1].id if rows else None,
        "from": rfc3339(span.from_us) if span.from_us is not None else None,
        "to": rfc3339(span.to_us) if span.to_us is not None else None,
    }
    more = next_link("/api/v1/handover/notes", query) if len(rows) == limit else None
    return answer({"notes": [_note(row) for row in rows], "next": more})


@router.post("/notes", response_model=Note, status_code=201)
def write_note(context: Context, note: NewNote) -> Response:
    """Leave a note. It is on record when the answer comes, and stays as it is."""
    if context.write_note is None:
        return problem(503, "This service cannot write notes.")
    known = {channel.subject for channel in context.live.layout.channels}
    if note.valve is not None and note.valve not in known:
        raise not_found("valve", note.valve, "GET /api/v1/valves lists them.")
    written = context.write_note(context.who(note.operator), note.text.strip(), note.valve)
    return answer(_note(written), 201)


def _part(rows: tuple[JournalRow, ...]) -> Part:
    return {"count": len(rows), "entries": [journal_shape(row) for row in rows[-MOST_LISTED:]]}


def _note(row: ShiftNote) -> Note:
    return {
        "id": row.id,
        "at": rfc3339(row.at_us),
        "author": row.author,
        "valve": row.valve,
        "text": row.text,
    }
