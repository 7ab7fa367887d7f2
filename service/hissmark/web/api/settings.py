"""Settings with versions: in force and from where, published with a reason, compared, taken back, as TOML."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field
from typing_extensions import TypedDict

from hissmark.engine.change import Change, ChangeRefusedError, Level, settings_change
from hissmark.engine.ranges import range_of, unit_of
from hissmark.engine.tuned import NAMES, TUNABLE, default_of
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.tune import versions as v
from hissmark.tune.toml import from_toml, to_toml
from hissmark.web.answers import answer
from hissmark.web.context import ActionOutcome, Context, WebContext
from hissmark.web.parameters import NAME_TEXT, PLAIN, TEXT, invalid, time_us
from hissmark.web.problems import DOCUMENTED, REFUSED, not_found, problem

router = APIRouter(prefix="/settings", tags=["settings"], responses=DOCUMENTED)

VersionQuery = Annotated[int, Query(ge=0, le=2**53, description="number of a version; 0: before the first")]
TOML = "application/toml"


class Author(BaseModel):
    """Who changes settings, and why: both go on record."""

    operator: str = Field(min_length=1, max_length=100, pattern=NAME_TEXT)
    reason: str = Field(min_length=1, max_length=1000, pattern=TEXT)


class NewSetting(BaseModel):
    """Values at one level; null takes a value back to the wider level."""

    level: Level = Level.SITE
    subject: str = Field(default="", max_length=200)
    values: dict[str, float | None] = Field(min_length=1, max_length=40)


class Publish(Author):
    """Settings to go live."""

    settings: list[NewSetting] = Field(min_length=1, max_length=200)


class RollBack(Author):
    """Back to what was in force once that version was applied; 0: to what the file says."""

    to: int = Field(ge=0, le=2**53)


class Import(Author):
    """Settings as TOML, as `export` gives them: what it sets, and nothing else, is in force afterwards."""

    toml: str = Field(min_length=1, max_length=60_000)


class Tunables(TypedDict):
    """Every setting that can be tuned: unit, lowest and highest value, value of the site's file."""

    settings: list[dict[str, Any]]


class InForce(TypedDict):
    """The settings of one valve at a moment; `level` gives it: valve, group, site or file."""

    valve: str
    at: str | None
    settings: list[dict[str, Any]]


class Versions(TypedDict):
    """Every version of the settings, newest first, with what it changed."""

    versions: list[dict[str, Any]]


class Differences(TypedDict):
    """What differs between two versions."""

    steps: list[dict[str, Any]]


class Published(TypedDict):
    """What went live: the numbers of the versions. They count from the next tick on."""

    versions: list[int]
    message: str


@router.get("/tunable", response_model=Tunables)
def tunable(context: Context) -> Response:
    """What can be tuned, with units and believable ranges."""
    settings = context.live.layout.settings
    rows = []
    for name in NAMES:
        low, high = range_of(TUNABLE[name], name)
        rows.append(
            {
                "setting": name, "unit": unit_of(name).strip(), "low": low, "high": high,
                "file": default_of(settings, name), "says": _says(name),
            }
        )  # fmt: skip
    return answer({"settings": rows})


@router.get("/tuned", response_model=InForce)
def tuned(
    context: Context,
    valve: Annotated[str, Query(min_length=1, max_length=200, pattern=PLAIN)],
    at: Annotated[str | None, Query(max_length=40, description="RFC 3339; now if left out")] = None,
) -> Response:
    """The settings in force for a valve, now or at a past moment (when an alarm was raised)."""
    layout = context.live.layout
    found = next((i for i, c in enumerate(layout.channels) if valve in (c.subject, c.name)), None)
    if found is None:
        raise not_found("valve", valve, "GET /api/v1/valves lists them.")
    at_us = time_us(at, "at")
    rows = [
        {**dataclasses.asdict(row), "unit": unit_of(row.setting).strip()}
        for row in v.in_force(layout, context.reader, found, at_us)
    ]
    return answer({"valve": valve, "at": rfc3339_or_none(at_us), "settings": rows})


@router.get("/versions", response_model=Versions)
def versions(context: Context) -> Response:
    """Who changed which settings, when and why."""
    rows = [_version_shape(version) for version in reversed(v.versions(context.reader))]
    return answer({"versions": rows})


@router.get("/diff", response_model=Differences)
def diff(
    context: Context,
    start: Annotated[VersionQuery, Query(alias="from")],
    end: Annotated[VersionQuery, Query(alias="to")],
) -> Response:
    """What differs between two versions."""
    before, after = (_values_after(context, n, w) for n, w in ((start, "from"), (end, "to")))
    return answer({"steps": _steps_shape(list(v.steps(before, after)))})


@router.post("/publish", response_model=Published, responses=REFUSED)
def publish(context: Context, body: Publish) -> Response:
    """Put settings live, with a reason. They count from the next tick on, without a restart."""
    wanted = [
        settings_change(
            s.level, s.subject if s.level is not Level.SITE else "", s.values, body.operator, body.reason
        )
        for s in body.settings
    ]
    return _recorded(context, wanted)


def _subject(setting: NewSetting) -> str:
    return "" if setting.level is Level.SITE else setting.subject


@router.post("/roll-back", response_model=Published, responses=REFUSED)
def roll_back(context: Context, body: RollBack) -> Response:
    """Put back what was in force after an earlier version. That is a version of its own."""
    back = _values_after(context, body.to, "to")
    return _made_so(context, back, body)


@router.get("/export", response_class=Response)
def export(context: Context) -> Response:
    """What is tuned now, as TOML."""
    now = rfc3339(context.live.clock.now_us())
    text = to_toml(v.values_after(context.reader, 2**62), context.site_name, now)
    headers = {"Cache-Control": "no-store", "Content-Disposition": 'attachment; filename="tuned.toml"'}
    return Response(text, media_type=TOML, headers=headers)


@router.post("/import", response_model=Published, responses=REFUSED)
def import_(context: Context, body: Import) -> Response:
    """Make the tuned settings what a TOML file says. What the file does not set is taken back."""
    try:
        wanted = from_toml(body.toml)
    except ChangeRefusedError as refused:
        return problem(422, f"This file cannot be taken: {refused}.")
    return _made_so(context, wanted, body)


def _made_so(context: WebContext, wanted: v.Values, author: Author) -> Response:
    """Record what leads from the present settings to `wanted`."""
    now = v.values_after(context.reader, 2**62)
    changes = v.changes_for(v.steps(now, wanted), author.operator, author.reason)
    if not changes:
        return problem(409, "These settings are in force already; there is nothing to change.")
    return _recorded(context, changes)


def _recorded(context: WebContext, wanted: Sequence[Change]) -> Response:
    """Check all, then record one after the other; a 409 that says why if one is refused."""
    change = context.change
    if change is None:
        return problem(409, "This service takes no changes.")
    try:
        v.check_changes(context.live.layout, v.values_after(context.reader, 2**62), wanted)
    except ChangeRefusedError as refused:
        return problem(422, f"Not published: {refused}.")
    done: list[ActionOutcome] = []
    for one in wanted:
        outcome = change(one)
        if not outcome.applied:
            return problem(409, f"Published {len(done)} of {len(wanted)}; then refused: {outcome.message}")
        done.append(outcome)
    numbers = [outcome.action_id for outcome in done]
    return answer({"versions": numbers, "message": "On record and in force from the next tick on."})


def _values_after(context: WebContext, version: int, where: str) -> v.Values:
    known = {row.id for row in v.settings_rows(context.reader)} | {0}
    if version not in known:
        raise invalid(where, f"there is no version {version}; GET /api/v1/settings/versions lists them")
    return v.values_after(context.reader, version)


def _version_shape(version: v.Version) -> dict[str, Any]:
    row = version.row
    return {
        "version": row.id,
        "at": rfc3339(row.requested_us),
        "counts_after": rfc3339_or_none(row.applied_after_us),
        "author": row.change.operator,
        "reason": row.change.reason,
        "level": row.change.payload["level"],
        "subject": row.change.subject,
        "steps": _steps_shape(version.steps),
    }


def _steps_shape(steps: Sequence[v.Step]) -> list[dict[str, Any]]:
    return [{**dataclasses.asdict(step), "unit": unit_of(step.setting).strip()} for step in steps]


def _says(name: str) -> str:
    """What the setting means and its trade-off: the line of its class's docstring."""
    lines = (TUNABLE[name].__doc__ or "").splitlines()
    found: list[str] = []
    for line in lines:
        text = line.strip()
        if found and (not text or _begins_attribute(text)):
            break
        if text.startswith(f"{name}: "):
            found.append(text.removeprefix(f"{name}: "))
        elif found:
            found.append(text)
    return " ".join(found)


def _begins_attribute(text: str) -> bool:
    name, colon, _ = text.partition(": ")
    return bool(colon) and name.isidentifier()
