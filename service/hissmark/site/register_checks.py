"""What rows of the register must not say together: doubles, contradictions, groups without use."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable

from hissmark.engine.register import PERCENTILE_SUFFIXES
from hissmark.site.problems import Findings
from hissmark.site.register import Draft


def check_rows(drafts: list[Draft], findings: Findings) -> None:
    """Everything that takes more than one cell to see."""
    for draft in drafts:
        _check_valve(draft, findings)
        _check_pressures(draft, findings)
        _check_worth(draft, findings)
    _check_doubles(drafts, findings)
    _check_names_meet(drafts, findings)
    _check_groups(drafts, findings)


def tags_of(draft: Draft) -> list[tuple[str, str]]:
    """(column, process tag) for every tag that the row refers to."""
    closed = draft.values.get("closed_when")
    pairs = [("closed_when", closed.tag)] if closed is not None else []
    tags = ("upstream_pressure", "downstream_pressure", "leak_flow")
    pairs += [(c, draft.text(c)) for c in tags if draft.text(c)]
    return pairs


def _check_valve(draft: Draft, findings: Findings) -> None:
    kind, tag = draft.text("kind").lower(), draft.text("valve")
    if kind == "valve" and not tag and "valve" in draft.cells:
        findings.error(draft.line, "valve", "a channel on a valve needs the valve's tag.", "Write the tag.")
    if kind == "reference" and tag:
        findings.error(
            draft.line, "valve", f"a reference point sits on the pipe, not on a valve, yet it names {tag!r}.",
            "Empty the cell, or make the kind 'valve'.",
        )  # fmt: skip
    if kind == "reference" and tags_of(draft):
        column = tags_of(draft)[0][0]
        findings.warning(draft.line, column, "has no meaning for a reference point.", "Empty the cell.")


def _check_pressures(draft: Draft, findings: Findings) -> None:
    up, down = draft.text("upstream_pressure"), draft.text("downstream_pressure")
    if bool(up) != bool(down):
        column = "downstream_pressure" if up else "upstream_pressure"
        findings.error(
            draft.line, column, "the other pressure is given, this one is not: no difference can be formed.",
            "Give both tags or neither.",
        )  # fmt: skip
    elif up and up == down:
        findings.error(
            draft.line, "downstream_pressure", f"both pressures are {up!r}: their difference is always zero.",
            "Give the tag on the other side of the valve.",
        )  # fmt: skip


def _check_worth(draft: Draft, findings: Findings) -> None:
    """The columns that bound a leak from process tags."""
    flow, unit, volume = (draft.text(c) for c in ("leak_flow", "leak_flow_unit", "closed_volume"))
    if not (flow or unit or volume):
        return
    from hissmark.worth import units  # the library of units takes a while to load

    if flow and not unit:
        findings.error(draft.line, "leak_flow_unit", f"{flow} needs a unit.", "Write for instance: kg/h")
    if unit:
        _try(lambda: units.flow(f"1 {unit}"), draft, "leak_flow_unit", findings)
    if volume:
        _try(lambda: units.volume_m3(volume), draft, "closed_volume", findings)
    if volume and not draft.text("downstream_pressure"):
        message = "needs the pressure of that volume: downstream_pressure is empty."
        findings.error(draft.line, "closed_volume", message, "Give both, or empty the cell.")


def _try(read: Callable[[], object], draft: Draft, column: str, findings: Findings) -> None:
    try:
        read()
    except ValueError as slip:
        findings.error(draft.line, column, str(slip), "See the manual, page Worth.")


def _check_doubles(drafts: list[Draft], findings: Findings) -> None:
    _unique(drafts, "channel", lambda d: d.text("channel"), "Give each channel a name of its own.", findings)
    _unique(drafts, "source", lambda d: d.source, "Two sensors cannot arrive under one name.", findings)
    _unique(drafts, "valve", lambda d: d.text("valve"), "Keep one channel a valve.", findings)
    for group, members in _by_group(drafts).items():
        where = f" in group {group!r}"
        _unique(members, "position", _position, "Number the channels along the pipe.", findings, where)


def _position(draft: Draft) -> str:
    return str(draft.values.get("position", ""))


def _unique(
    drafts: Iterable[Draft],
    column: str,
    key: Callable[[Draft], str],
    fix: str,
    findings: Findings,
    where: str = "",
) -> None:
    """Report every row whose `key` an earlier row has too; empty keys do not count."""
    first: dict[str, Draft] = {}
    folded: dict[str, Draft] = {}
    for draft in drafts:
        value = key(draft)
        earlier, alike = first.get(value), folded.get(value.casefold())
        if not value or _doubled_by_channel(column, draft, earlier):
            continue
        if earlier is not None:
            findings.error(draft.line, column, f"{value!r} is already in line {earlier.line}{where}.", fix)
        elif alike is not None:
            findings.warning(
                draft.line,
                column,
                f"{value!r} differs only in case from line {alike.line}.",
                "Check that both exist.",
            )
        first.setdefault(value, draft)
        folded.setdefault(value.casefold(), draft)


def _doubled_by_channel(column: str, draft: Draft, earlier: Draft | None) -> bool:
    """A source doubled only because the channel name it defaults to is doubled: one mistake, not two."""
    return (
        column == "source" and earlier is not None
        and not draft.text("source") and not earlier.text("source")
    )  # fmt: skip


def _check_names_meet(drafts: list[Draft], findings: Findings) -> None:
    """Names that must not meet: process tags or reported percentiles with sources, channels with valves."""
    sources = {d.source: d for d in reversed(drafts) if d.source}
    percentiles = {source + suffix: d for source, d in sources.items() for suffix in PERCENTILE_SUFFIXES}
    arriving = {**percentiles, **sources}
    valves = {d.text("valve"): d for d in drafts if d.text("valve")}
    for draft in drafts:
        _check_tags(arriving, draft, findings)
        if draft.source in percentiles:
            line = percentiles[draft.source].line
            what = f"{draft.source!r} is where the sensor in line {line} reports its own percentile."
            findings.error(draft.line, "source", what, "Choose a name without this ending.")
        holder = valves.get(draft.text("channel"))
        if holder is not None and not draft.is_valve:
            what = f"{draft.text('channel')!r} is also the tag of the valve in line {holder.line}."
            findings.error(draft.line, "channel", what, "Give the reference point a name of its own.")


def _check_tags(arriving: dict[str, Draft], draft: Draft, findings: Findings) -> None:
    for column, tag in tags_of(draft):
        if tag in arriving:
            what = f"{tag!r} is the level of the channel in line {arriving[tag].line}, not a process value."
            findings.error(draft.line, column, what, "Name the tag of the process value.")


def _by_group(drafts: Iterable[Draft]) -> dict[str, list[Draft]]:
    groups: dict[str, list[Draft]] = defaultdict(list)
    for draft in drafts:
        if draft.text("group"):
            groups[draft.text("group")].append(draft)
    return groups


def _check_groups(drafts: list[Draft], findings: Findings) -> None:
    groups = _by_group(drafts)
    for name, members in groups.items():
        line = members[0].line
        if all(d.text("kind").lower() == "reference" for d in members):
            findings.error(
                line, "group", f"group {name!r} has only reference points: there is no valve to judge.",
                "Put them into the group of the valves they stand beside.",
            )  # fmt: skip
        elif len(members) == 1:
            findings.warning(
                line, "group", f"group {name!r} has a single valve: there is nothing to compare it with.",
                "Put valves on shared pipework into one group, or add a reference point.",
            )  # fmt: skip
    _check_group_names(groups, findings)


def _check_group_names(groups: dict[str, list[Draft]], findings: Findings) -> None:
    seen: dict[str, str] = {}
    for name, members in groups.items():
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            findings.warning(
                members[0].line, "group", f"{name!r} differs only in case from group {other!r}.",
                "Write it the same way if it is the same group.",
            )  # fmt: skip
