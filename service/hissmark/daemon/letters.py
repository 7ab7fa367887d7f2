"""Letters of the running service: who gets them, and what they say."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import sqlalchemy as sa

from hissmark import __version__
from hissmark.notify.letters import Postman, Told
from hissmark.notify.mail import Mail
from hissmark.notify.notifier import Notifier, Receiver
from hissmark.notify.webhook import Webhook
from hissmark.publish.times import rfc3339
from hissmark.repairs.desk import Desk
from hissmark.repairs.sentences import outcome_sentence
from hissmark.site.load import Site
from hissmark.store.letters import Letter, LetterBox, LetterKind
from hissmark.store.repairs import OutcomeRow

US = 1_000_000


def told_of_repairs(notifier: Notifier, group: str) -> list[str]:
    """Mail and webhook receivers that hear of passing alarms in this group, but for escalations."""
    return [r.route.name for r in _letter_receivers(notifier) if _concerned(r, group)]


def postman_of(
    site: Site, notifier: Notifier, desk: Desk, writing: sa.Engine, reading: sa.Engine,
    now_us: Callable[[], int],
) -> Postman:  # fmt: skip
    """Who brings the letters of a site."""
    box = LetterBox(writing, reading)
    page = site.settings.notify.page
    channels = {
        r.route.name: r.channel for r in _letter_receivers(notifier) if isinstance(r.channel, Mail | Webhook)
    }

    def compose(letter: Letter) -> Told | None:
        if letter.kind is LetterKind.REPORT:
            return _of_report(site, box, letter.ref, page)
        return _of_repair(site, desk, letter.ref, page)

    return Postman(box, channels, site.name, compose, now_us, site.settings.notify.give_up_s * US)


def _letter_receivers(notifier: Notifier) -> Sequence[Receiver]:
    return [r for r in notifier.receivers if isinstance(r.channel, Mail | Webhook)]


def _concerned(receiver: Receiver, group: str) -> bool:
    route = receiver.route
    escalates = bool(route.unacknowledged_us)
    return not escalates and group in (route.groups or {group}) and "passing" in (route.alarms or {"passing"})


def _of_repair(site: Site, desk: Desk, number: int, page: str | None) -> Told | None:
    row, repair = desk.book.outcomes().get(number), desk.book.repair(number)
    if row is None or repair is None:
        return None
    valve = repair.what.valve
    link = None if page is None else f"{page.rstrip('/')}/repairs/{number}"
    facts = {"repair": number, "valve": valve, "outcome": row.outcome, "at": rfc3339(row.at_us),
             "reason": row.reason or None, "about": row.about}  # fmt: skip
    return Told(
        f"repair of {valve}: {row.outcome}", outcome_sentence(valve, row), link, facts,
        _certificate(site, desk, row),
    )  # fmt: skip


def _certificate(site: Site, desk: Desk, row: OutcomeRow) -> tuple[str, bytes] | None:
    """None for a repair that was corrected meanwhile."""
    from hissmark.paper.certificate import NoCertificateError, certificate, certified_of

    try:
        what = certified_of(
            desk.looked(), row.repair_id, site=site.name, register=desk.register, now_us=desk.now_us(),
            version=__version__,
        )  # fmt: skip
    except NoCertificateError:
        return None
    return f"repair-{row.repair_id}.pdf", certificate(what)


def _of_report(site: Site, box: LetterBox, number: int, page: str | None) -> Told | None:
    found = box.report(number)
    if found is None:
        return None
    about, pdf, _ = found
    span = f"{rfc3339(about.from_us)} to {rfc3339(about.to_us)}"
    link = None if page is None else f"{page.rstrip('/')}/api/v1/reports/{number}?format=pdf"
    facts = {"report": number, "from": rfc3339(about.from_us), "to": rfc3339(about.to_us)}
    name = f"report-{rfc3339(about.from_us)[:10]}.pdf"
    return Told(f"report {span}", f"The report of {site.name} for {span}.", link, facts, (name, pdf))
