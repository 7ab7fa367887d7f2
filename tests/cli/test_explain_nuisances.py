"""`hissmark explain` for every kind of nuisance, in one plant where each occurs (`support.nuisances`).

The specific reason each time, the baseline used and why, how far the explanations are apart, and what would
change the verdict. The same from the API. Sensor faults: see `tests/engine/test_story.py`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest
from fastapi.testclient import TestClient

from cli.known_site import hissmark
from hissmark.engine.settings import RepairSettings
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.publish.times import rfc3339
from hissmark.repairs.build import desk_of
from hissmark.store import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.repair_records import Repair, Work
from hissmark.web import WebContext, create_app
from support.invented import SetClock
from support.nuisances import END_H, LATER_H, LEARNED_H, NOW_H, REPAIRED_H, at_us, plant_of_nuisances
from support.recorded import RecordedRig

URL = "sqlite:///data/hissmark.db"


class Site(NamedTuple):
    """The site's folder, its rig, and a client of its API."""

    folder: str
    rig: RecordedRig
    client: TestClient


class Case(NamedTuple):
    """What the story of a valve at an hour has to say."""

    hour: float
    valve: str
    verdict: str
    reason: str
    best: str
    phrases: tuple[str, ...]


STORIES = {
    "operating change told by a tag": Case(
        NOW_H, "XV-tagged-2", "quiet", "at background", "nothing",
        ("the operating condition 'compressor on' (K-1 > 50 holds)", "must reach 6 dB"),
    ),
    "the same while the tag says otherwise": Case(
        5.1, "XV-tagged-2", "quiet", "at background", "nothing", ("ordinary operation (no rule holds)",),
    ),
    "operating change found by listening": Case(
        NOW_H, "XV-learned-2", "quiet", "at background", "nothing",
        ("operating condition 2 of the 2 found by listening, the one whose levels are nearest",),
    ),
    "noise from outside past a reference point": Case(
        NOW_H, "XV-outside-1", "outside noise", "reference point rises most", "outside noise",
        (
            "The noise comes in at the end of RP-outside.", "RP-outside +2",
            "XV-outside-1 passing must fit the group better than 'outside noise'; it is",
        ),
    ),
    "noise from outside at one end": Case(
        NOW_H, "XV-oneend-1", "outside noise", "noise from one end", "outside noise",
        (
            "falls away along the pipe", "The noise comes in at the end of XV-oneend-1.",
            "XV-oneend-1 passing must fit the group better than 'outside noise'; it is",
        ),
    ),
    "an open valve": Case(
        NOW_H, "XV-open-1", "not testable", "open", "XV-open-1 open or just stroked",
        ("once it is closed (ZT-open < 2)",),
    ),
    "the neighbour of an open valve": Case(
        NOW_H, "XV-open-2", "outside noise", "open valve nearby", "XV-open-1 open or just stroked",
        ("better than 'XV-open-1 open or just stroked'; it is", "dB more margin over XV-open-1"),
    ),
    "a valve that has just stroked": Case(
        NOW_H, "XV-stroke-1", "not testable", "just stroked", "nothing",
        ("from now, unless it moves again",),
    ),
    "the neighbour of a valve that has just stroked": Case(
        NOW_H, "XV-stroke-2", "unsettled", "level drifting", "nothing",
        ("at most 2.0 dB counts as still", "Nobody in its group is blamed until the sensor"),
    ),
    "a cycling steam trap": Case(
        NOW_H, "XV-trap-1", "unsettled", "level not steady", "nothing",
        ("Its loudest tenth stands 18", "something comes and goes", "counts as steady"),
    ),
    "knocks and rain": Case(
        NOW_H, "XV-knock-1", "quiet", "at background", "nothing",
        ("Its loudest tenth stands", "so the floor is judged"),
    ),
    "the day's swing, common to a group": Case(
        END_H - 0.05, "XV-day-2", "outside noise", "even rise of the group", "even shift",
        ("The whole group has risen evenly.", "XV-day-2 passing must fit the group better than"),
    ),
    "slow drift of one": Case(
        END_H - 0.05, "XV-slow-2", "quiet", "rise below the limit", "XV-slow-2 passing",
        ("No other channel of the group stands over", "held still while something is under suspicion",
         "The highest rise of the group must reach 6 dB; it is"),
    ),
    "a gap of the radio": Case(
        NOW_H, "XV-gap-2", "not testable", "no fresh data", "nothing",
        ("Left out of the comparison: XV-gap-2", "the last came 45 min before"),
    ),
    "after the gap": Case(LATER_H, "XV-gap-2", "quiet", "at background", "nothing", ("from 3",)),
    "pressure difference lost": Case(
        NOW_H, "XV-press-1", "not testable", "no pressure difference", "nothing",
        (
            "It was found passing before. That stands until it can be judged again",
            "is 0.4 bar, below the 1 bar",
        ),
    ),
    "pressure difference back": Case(
        LATER_H, "XV-press-1", "passing", "highest steady rise", "XV-press-1 passing",
        ("The verdict ends when its rise falls below", "Its margin over XV-press-2"),
    ),
    # two that begin at one moment: a coincidence is dear, and lasting says nothing for two against one
    "one of two leaks": Case(
        NOW_H, "XV-two-6", "contested", "explanations too close", "XV-two-2 and XV-two-6 passing",
        ("Its margin over XV-two-1", "Behind it (log-likelihood): XV-two-2 passing"),
    ),
    "the other of two leaks": Case(
        NOW_H, "XV-two-2", "contested", "explanations too close", "XV-two-2 and XV-two-6 passing",
        ("Its margin over XV-two-1", "XV-two-6 passing 1."),
    ),
    "between two leaks": Case(
        NOW_H, "XV-two-4", "unsettled", "waiting for evidence", "XV-two-2 and XV-two-6 passing",
        ("XV-two-4 passing must fit the group better than 'XV-two-2 and XV-two-6 passing'",),
    ),
    "before a second leak": Case(
        NOW_H, "XV-second-6", "spill", "heard from the source", "XV-second-2 passing", ("over XV-second-2",)
    ),
    "a second leak beside a louder one": Case(
        LATER_H, "XV-second-6", "passing", "highest leak only level", "XV-second-2 and XV-second-6 passing",
        ("XV-second-2 +3",),
    ),
    "before a repair": Case(
        NOW_H, "XV-fix-2", "passing", "highest steady rise", "XV-fix-2 passing", ("Its margin over XV-fix-1",)
    ),
    "after a repair": Case(
        LATER_H + 0.2, "XV-fix-2", "quiet", "at background", "nothing",
        ("On record: XV-fix-2: seat lapped, by Ada", "XV-fix-2 is tight again: it and its group stayed"),
    ),
    "a sound that came and went by itself before": Case(
        NOW_H, "XV-again-2", "contested", "came and went before", "XV-again-2 passing",
        ("ended by itself", "a repair on record, or a stroke of the valve, ends"),
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("nuisances") / "north"
    with plant_of_nuisances(folder) as rig:
        clock = SetClock(at_us(END_H))
        looking = open_for_reading(URL, folder)
        reader, live = Reader(looking), LiveState(rig.layout, clock)
        desk = desk_of(
            lambda: rig.layout.register, rig.settings, RepairSettings(), writing=rig.store, reading=looking,
            archive=None, readings=live.readings, now_us=clock.now_us,
        )  # fmt: skip
        desk.book.add_repair(Repair("XV-fix-2", at_us(REPAIRED_H), Work.SEAT_LAPPED, "Ada"), clock.now_us())
        assert [row.outcome for _, row in desk.follow_up()] == ["tight again"]
        context = WebContext(live, reader, _refuse, Metrics(), "North works", desk=desk)
        with TestClient(create_app(context), raise_server_exceptions=False) as client:
            yield Site(str(folder), rig, client)
        looking.dispose()


def _refuse(_: object) -> Any:
    raise AssertionError("nobody acts here")


def explained(site: Site, case: Case) -> dict[str, Any]:
    done = hissmark("explain", site.folder, case.valve, "--at", rfc3339(at_us(case.hour)), "--json")
    assert (done.returncode, done.stderr) == (0, "")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def said(story: dict[str, Any]) -> str:
    return "\n".join((*story["sentences"], *story["would_change"]))


@pytest.mark.parametrize("kind", STORIES)
def test_every_nuisance_has_its_story(site: Site, kind: str) -> None:
    case = STORIES[kind]
    story = explained(site, case)
    assert (story["verdict"], story["reason"]) == (case.verdict, case.reason), said(story)
    assert story["explanations"][0]["words"] == case.best, said(story)
    for phrase in case.phrases:
        assert phrase in said(story), said(story)
    assert_complete(story)


def assert_complete(story: dict[str, Any]) -> None:
    """Levels, baseline, explanations in order and how far they are apart, what would change the verdict."""
    own = next(c for c in story["channels"] if c["valve"] == story["valve"])
    heard = story["reason"] != "no fresh data"
    assert (own["level_db"] is not None) == own["compared"] == heard
    assert own["baseline_db"] == story["background"]["baseline_db"] is not None
    behind = [e["behind"] for e in story["explanations"]]
    assert behind == sorted(behind)
    assert behind[0] == 0
    assert len(behind) > 1
    assert story["would_change"]
    assert [w["sentence"] for w in story["wants"]] == story["would_change"]


@pytest.mark.parametrize("kind", ["an open valve", "pressure difference back", "after a repair"])
def test_the_api_tells_the_same(site: Site, kind: str) -> None:
    case = STORIES[kind]
    answer = site.client.get(f"/api/v1/valves/{case.valve}/explain", params={"at": rfc3339(at_us(case.hour))})
    assert answer.status_code == 200, answer.text
    assert answer.json() == explained(site, case)


def test_of_a_repair_the_story_knows_no_more_than_was_known_then(site: Site) -> None:
    """Nothing before it, then that its check has not ended, then what that found."""
    repaired = STORIES["after a repair"]
    assert explained(site, repaired._replace(hour=NOW_H))["repair"] is None
    soon = explained(site, repaired._replace(hour=REPAIRED_H + 0.2))["repair"]
    assert (soon["work"], soon["who"], soon["outcome"]) == ("seat-lapped", "Ada", None)
    assert "Its check had not ended by then." in soon["sentence"]
    assert explained(site, repaired)["repair"]["outcome"] == "tight again"
    text = hissmark("explain", site.folder, "XV-fix-2", "--at", rfc3339(at_us(repaired.hour))).stdout
    assert "XV-fix-2 is tight again" in " ".join(text.split())


def test_the_history_alone_tells_the_peaks_and_where_noise_comes_in(site: Site) -> None:
    """Before the saved state; what only the living state knows is left out."""
    trap, outside = STORIES["a cycling steam trap"], STORIES["noise from outside past a reference point"]
    story = explained(site, trap._replace(hour=5.4))
    assert (story["basis"], story["reason"]) == ("history", "level not steady")
    assert [n["what"] for n in story["notes"]] == ["peaks"]
    assert "counts as steady" in said(story)
    story = explained(site, outside._replace(hour=5.4))
    assert [(n["what"], n["other"]) for n in story["notes"]] == [("from-end", "RP-outside")]
    learning = explained(site, STORIES["slow drift of one"]._replace(hour=LEARNED_H - 1))
    assert (learning["verdict"], learning["reason"]) == ("not testable", "baseline learning")
