"""The desks of a running service: repairs, worth of leaks, letters, reports; what they do now and then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import sqlalchemy as sa

from hissmark import __version__
from hissmark.appraise.appraiser import Appraiser
from hissmark.appraise.desk import LOOK_AGAIN_S, WorthDesk
from hissmark.daemon.clock import Clock
from hissmark.daemon.housekeeping import Housekeeping
from hissmark.daemon.letters import postman_of, told_of_repairs
from hissmark.daemon.worth_metrics import WorthCollector
from hissmark.engine.telling import Background
from hissmark.notify.notifier import Notifier
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.publish.shapes import GroupReading
from hissmark.repairs.build import desk_of
from hissmark.site.load import Site
from hissmark.store.letters import LetterBox
from hissmark.store.reader import Reader
from hissmark.store.recall import story_at
from hissmark.web.past import readings_at

REPAIRS_S = 5.0
"""How often it is looked how far the checks of repairs have come."""
LOOK_FOR_REPORT_S = 120.0


class Desks:
    """Made once; `keep` hands what recurs to the housekeeping.

    Args:
        writing, reading: the store, as `RepairBook` takes it.
    """

    def __init__(
        self, site: Site, clock: Clock, live: LiveState, reader: Reader, notifier: Notifier,
        writing: sa.Engine, reading: sa.Engine,
    ) -> None:  # fmt: skip
        self._site, self._live, self._reader = site, live, reader
        self.letters = LetterBox(writing, reading)
        self.repairs = desk_of(
            lambda: live.layout.register, site.core, site.settings.repair, writing=writing, reading=reading,
            archive=site.archive, readings=live.readings, now_us=clock.now_us,
        )  # fmt: skip
        self.repairs.background_at = self._background_at
        self.repairs.receivers = lambda group: told_of_repairs(notifier, group)
        self._postman = postman_of(site, notifier, self.repairs, writing, reading, clock.now_us)
        appraiser = Appraiser(lambda: live.layout, reader, self._readings_at)
        self.worth = WorthDesk(appraiser, writing, clock.now_us)
        live.worth_said = self.worth.said
        live.worth_begins = self.worth.said_as_it_begins

    def keep(self, housekeeping: Housekeeping, metrics: Metrics) -> None:
        """What is done now and then, and measured."""
        housekeeping.every(REPAIRS_S, self.repairs.follow_up, "checks of repairs")
        housekeeping.every(REPAIRS_S, self._postman.deliver, "letters")
        housekeeping.every(LOOK_AGAIN_S, self.worth.look, "worth of leaks")
        metrics.registry.register(WorthCollector(self.worth.at_hand))
        asked = self._site.settings.report
        if asked.every != "never":
            from hissmark.reports.made import ReportJob  # what draws takes a while to load
            from hissmark.reports.sources import Sources

            sources = Sources(
                self._site.name, __version__, lambda: self._live.layout, self.repairs, self._reader,
                self.worth.appraiser, self.worth.appraiser.follower,
            )  # fmt: skip
            housekeeping.every(LOOK_FOR_REPORT_S, ReportJob(sources, asked, self.letters), "report")

    def _readings_at(self, groups: Sequence[str], at_us: int | None) -> Mapping[str, GroupReading]:
        """Readings of groups now, or at a moment."""
        if at_us is not None:
            return readings_at(self._live, self._reader, groups, at_us)
        return {g: reading for g in groups if (reading := self._live.reading(g)) is not None}

    def _background_at(self, valve: str, at_us: int) -> Background | None:
        """The baseline of a valve at a moment."""
        layout = self._live.layout
        channel = layout.channels.index(layout.register.valves[valve])
        found = story_at(layout, self._reader, channel, at_us)
        return None if found is None else found.story.background
