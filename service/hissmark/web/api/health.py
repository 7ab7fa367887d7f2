"""Whether the service lives, and whether it is fit to be relied on; and the metrics."""

from __future__ import annotations

from fastapi import APIRouter, Response
from typing_extensions import TypedDict

from hissmark.publish.live import LiveState
from hissmark.publish.pace import Pace
from hissmark.publish.pulse import STORING
from hissmark.publish.times import age_text
from hissmark.publish.words import counted
from hissmark.web.answers import answer
from hissmark.web.context import Context, WebContext
from hissmark.web.problems import DOCUMENTED, problem

COMMIT_LIMIT_S = 30.0
"""Messages that wait for a commit longer than this mean that storing has stalled."""
ROUND_LIMIT_S = 60.0
"""A round takes less than a second as a rule, and some seconds when a large plant takes over a register."""
BEHIND_LIMIT_S = 300.0
"""A gateway may send every few minutes; what is stored is older than that only if somebody is behind."""
CLOCK_TOLD_S = 3600.0
LEAST_GAINED = 0.05
"""Seconds gained in a second: less is standing still."""
HUNG_S = 300.0
"""Only a restart helps then. Not where the store does not answer: it would not at the start either."""

router = APIRouter(tags=["health"], responses=DOCUMENTED)


class Check(TypedDict):
    """One thing that was looked at."""

    name: str
    ok: bool
    detail: str


class Verdict(TypedDict):
    """All checks."""

    status: str
    checks: list[Check]


@router.get("/health/live", response_model=Verdict)
def alive(context: Context) -> Response:
    """Whether the process does its work at all; restart it if not."""
    return _verdict([_worker(context, HUNG_S)])


@router.get("/health/ready", response_model=Verdict)
def ready(context: Context) -> Response:
    """Whether the service does its work now: thread alive, connected, commits on time.

    The age of its data is told too, but old data alone answers 200 with the status "degraded": before the
    first sample, and while a plant is silent, people need the page most. So is housekeeping that is overdue.
    """
    needed = [_worker(context, ROUND_LIMIT_S), _connected(context), _commit(context)]
    told = _data(context), _intake(context), _clock(context), _housekeeping(context)
    return _verdict(needed, *told)


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(context: Context) -> Response:
    """Prometheus text exposition."""
    return Response(context.metrics.exposition(), media_type="text/plain; version=0.0.4; charset=utf-8")


def _verdict(needed: list[Check], *told: Check) -> Response:
    failed = [c for c in needed if not c["ok"]]
    checks = [*needed, *told]
    if failed:
        return problem(503, " ".join(c["detail"] for c in failed), checks=checks)
    return answer({"status": "ok" if all(c["ok"] for c in told) else "degraded", "checks": checks})


def _worker(context: WebContext, limit_s: float) -> Check:
    """Alive, and not hung: a thread that waits for a lock for ever is alive too."""
    if not context.live.health.worker_alive:
        return _check("worker", False, "The judging thread does not run.")
    doing, for_s = context.live.pulse.read()
    if for_s <= limit_s:
        return _check("worker", True, "The judging thread runs.")
    said = f"The judging thread has been {doing} for {age_text(for_s)} and does not come back."
    return _check("worker", doing == STORING and limit_s == HUNG_S, said)


def _housekeeping(context: WebContext) -> Check:
    late = sorted(job for job, by_s in context.live.chores.overdue().items() if by_s)
    if not late:
        return _check("housekeeping", True, "Housekeeping is done in time.")
    return _check("housekeeping", False, f"Housekeeping is overdue: {', '.join(late)}.")


def _connected(context: WebContext) -> Check:
    health = context.live.health
    where = f" to {health.broker}" if health.broker else ""
    if not health.connected:
        why = health.broker_trouble or "is the broker up?"
        return _check("broker", False, f"Not connected{where}: {why}")
    if not health.subscribed or health.filters_refused:
        why = health.broker_trouble or "its subscriptions do not stand yet"
        return _check("broker", False, f"Connected{where}, but {why}.")
    return _check("broker", True, f"Connected{where}.{_forgotten(health.session_losses)}")


def _forgotten(times: int) -> str:
    """That something may be missing although all is well now."""
    if not times:
        return ""
    return (
        f" Since the start it has forgotten our session {times} time{'s' if times > 1 else ''}: what it held "
        "for us then is lost unless its sender sends it again."
    )


def _data(context: WebContext) -> Check:
    live, now_us = context.live, context.live.clock.now_us()
    newest_us = int(live.heard_us().max(initial=0))
    if not newest_us:
        return _check("data", False, "No sample of a known name was heard yet.")
    age_s = (now_us - newest_us) / 1e6
    return _check(
        "data", age_s <= _data_limit_s(context, live), f"The newest sample is {age_text(age_s)} old."
    )


def _data_limit_s(context: WebContext, live: LiveState) -> float:
    intervals = [c["interval_s"] for r in live.readings() for c in r["channels"] if c["interval_s"]]
    return max(context.no_data_s, 3 * min(intervals, default=0.0))


def _commit(context: WebContext) -> Check:
    health, now_us = context.live.health, context.live.clock.now_us()
    if health.trouble:
        return _check("commit", False, f"Nothing can be stored: {health.trouble}")
    if not health.last_commit_us:
        return _check("commit", health.queue_messages == 0, "Nothing was committed yet.")
    age_s = (now_us - health.last_commit_us) / 1e6
    stalled = health.queue_messages > 0 and age_s > COMMIT_LIMIT_S
    return _check("commit", not stalled, f"The newest commit is {age_text(age_s)} old.")


def _intake(context: WebContext) -> Check:
    """Whether it keeps pace with the plant: how far behind, and whether that grows."""
    health, pace = context.live.health, context.live.pacer.read()
    waiting = counted(health.queue_messages, "message")
    full = f"Paused: queue full ({waiting}), the broker holds the rest."
    if pace.behind_s <= BEHIND_LIMIT_S:
        said = full if health.paused else "What arrives is stored as it comes."
        return _check("intake", not health.paused, said)
    said = f"Behind by {age_text(pace.behind_s)}{_catching_up(pace)}."
    return _check("intake", False, f"{full} {said}" if health.paused else said)


def _clock(context: WebContext) -> Check:
    """Whether the machine's clock was set lately: what is measured may then seem to be of the future."""
    health = context.live.health
    ago_s = (context.live.clock.now_us() - health.clock_set_us) / 1e6
    if not health.clock_set_us or abs(ago_s) > CLOCK_TOLD_S:
        return _check("clock", True, "The machine's clock runs on.")
    way = "back" if health.clock_set_by_s < 0 else "forward"
    said = f"The machine's clock was set {way} by {age_text(round(abs(health.clock_set_by_s)))}"
    ahead = "; what is ahead of it is stored and not judged until it gets there" if way == "back" else ""
    return _check("clock", False, f"{said}{ahead}.")


def _catching_up(pace: Pace) -> str:
    if pace.gained is None:
        return ""
    if pace.ready_in_s is None or pace.gained < LEAST_GAINED:
        return ", not catching up" if pace.gained > -LEAST_GAINED else ", falling further behind"
    return f", catching up at {pace.gained:.1f} s a second: there in about {age_text(pace.ready_in_s)}"


def _check(name: str, ok: bool, detail: str) -> Check:
    return {"name": name, "ok": ok, "detail": detail}
