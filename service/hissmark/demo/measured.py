"""Leaks that somebody measured at the invented works before the demo begins, and what things cost there."""

from __future__ import annotations

from hissmark.appraise.appraiser import Appraiser
from hissmark.appraise.desk import WorthDesk
from hissmark.appraise.points import new_point
from hissmark.demo.story import MINUTE_US
from hissmark.engine.layout import Layout
from hissmark.site.load import Site
from hissmark.store.calibrations import Assumption
from hissmark.store.open import open_store
from hissmark.store.reader import Reader

WHO = "I. Thorne"
DAY_US = 1440 * MINUTE_US

#: Valve, days before going live, leak, leak-only level, upstream and downstream pressure, uncertainty.
MEASURED = (
    ("XV-104", 61, "1.6 kg/h", "33.5 dB", "12 barg", "1.6 barg", "10 %"),
    ("XV-104", 33, "4.4 kg/h", "38.0 dB", "12 barg", "1.6 barg", "10 %"),
    ("XV-104", 12, "8.1 kg/h", "40.5 dB", "11.6 barg", "1.6 barg", "10 %"),
    ("XV-303", 26, "14 Nm3/h", "40.0 dB", "7.5 barg", "1.1 barg", "15 %"),
)
#: Valve (None: the whole site), assumption, text.
COSTS = (
    (None, "repair", "900 EUR"),
    (None, "hours", "8000 h"),
    ("XV-104", "price", "0.14 EUR/kg"),
    ("XV-303", "price", "0.02 EUR/Nm3"),
    ("XV-403", "price", "34 EUR/t"),
)


def put_on_record(site: Site, live_us: int) -> None:
    """Two valves get measured leaks (three of one, one of the other); the rest show what is needed."""
    store = open_store(site.store_url, site.folder)
    reader = Reader(store)
    try:
        appraiser = Appraiser(Layout.of(site.register, site.core), reader)
        desk = WorthDesk(appraiser, store, lambda: live_us)
        for valve, name, text in COSTS:
            desk.assume(Assumption(name, text, valve, WHO, "invented for the demo"))
        for valve, days, leak, level, up, down, sure in MEASURED:
            typed = {"leak": leak, "level": level, "upstream": up, "downstream": down, "uncertainty": sure}
            channel, at_us = site.register.valves[valve], live_us - days * DAY_US
            row = new_point(channel, at_us, typed, WHO, "invented", appraiser.knowledge(), reader)
            desk.add(row)
    finally:
        store.dispose()
