"""Register and backgrounds as JSON, for API and commands."""

from __future__ import annotations

from dataclasses import asdict

from typing_extensions import TypedDict

from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.site.candidate import Candidate
from hissmark.site.problems import Problem
from hissmark.site.register_diff import ChannelChange, summary
from hissmark.store.registers import RegisterVersion
from hissmark.upkeep.commissioning import ChannelCheck


class CellShape(TypedDict):
    """A cell before and after; empty where there is or was none."""

    column: str
    before: str
    after: str


class ChangeShape(TypedDict):
    """What happens to one channel, and what follows from it."""

    change: str
    channel: str
    subject: str
    group: str
    cells: list[CellShape]
    means: str


class ProblemShape(TypedDict):
    """One thing to put right: where, what is wrong, what to do. `line` null: the whole file."""

    file: str
    line: int | None
    field: str
    message: str
    fix: str
    severity: str


class CandidateShape(TypedDict):
    """A register looked at. `base` is to be sent back with it to put it in force; `text` as it will stand."""

    sound: bool
    base: str
    summary: str
    problems: list[ProblemShape]
    changes: list[ChangeShape]
    text: str


class VersionShape(TypedDict):
    """A version of the register. `in_force`: since when, null if it never was."""

    version: int
    recorded: str
    in_force: str | None
    operator: str
    comment: str
    how: str
    base: int | None
    outcome: str


class PointShape(TypedDict):
    """One point of the commissioning check: how it stands, what was found, what to do."""

    what: str
    standing: str
    found: str
    do: str


class ChannelCheckShape(TypedDict):
    """The commissioning check of one channel; `standing` is the worst of its points."""

    channel: str
    subject: str
    group: str
    standing: str
    points: list[PointShape]


def check_shape(check: ChannelCheck, group: str) -> ChannelCheckShape:
    points: list[PointShape] = [
        {"what": p.what, "standing": p.standing.value, "found": p.found, "do": p.do} for p in check.points
    ]
    return {
        "channel": check.channel, "subject": check.subject, "group": group,
        "standing": check.standing.value, "points": points,
    }  # fmt: skip


def change_shape(change: ChannelChange) -> ChangeShape:
    cells: list[CellShape] = [
        {"column": c.column, "before": c.before, "after": c.after} for c in change.cells
    ]
    return {
        "change": change.change.value, "channel": change.channel, "subject": change.subject,
        "group": change.group, "cells": cells, "means": change.means,
    }  # fmt: skip


def problem_shape(problem: Problem) -> ProblemShape:
    return {**asdict(problem), "severity": problem.severity.value}  # type: ignore[typeddict-item]


def candidate_shape(candidate: Candidate) -> CandidateShape:
    return {
        "sound": candidate.register is not None,
        "base": candidate.base,
        "summary": summary(candidate.changes),
        "problems": [problem_shape(p) for p in candidate.problems],
        "changes": [change_shape(c) for c in candidate.changes],
        "text": candidate.text,
    }


def version_shape(version: RegisterVersion) -> VersionShape:
    return {
        "version": version.id,
        "recorded": rfc3339(version.recorded_us),
        "in_force": rfc3339_or_none(version.applied_us),
        "operator": version.operator,
        "comment": version.comment,
        "how": version.how.value,
        "base": version.base_id,
        "outcome": version.outcome or "waiting for the service",
    }
