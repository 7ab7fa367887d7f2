"""Metrics of what leaks are worth: only of valves with a rate, and never without its interval."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from hissmark.appraise.appraiser import Worth
from hissmark.worth.prediction import Status
from hissmark.worth.trace import Range

_HOUR_S = 3600.0


class WorthCollector(Collector):
    """Gauges with the 5 %, 50 % and 95 % of each figure, under the label `bound`."""

    def __init__(self, at_hand: Callable[[], Sequence[Worth]]) -> None:
        self._at_hand = at_hand

    def describe(self) -> Iterable[Metric]:
        return []

    def collect(self) -> Iterator[Metric]:
        known = [w for w in self._at_hand() if w.estimate.status is Status.ESTIMATED]
        labels = ["group", "valve", "bound"]
        rate = GaugeMetricFamily("hissmark_leak_rate_kg_per_hour", "Estimated leak", labels=labels)
        air = GaugeMetricFamily("hissmark_leak_co2e_kg_per_year", "Its CO2 equivalent", labels=labels)
        loss = GaugeMetricFamily(
            "hissmark_leak_loss_per_year", "What it costs", labels=[*labels[:2], "currency", "bound"]
        )
        for worth in known:
            who = [worth.group, worth.valve]
            if worth.estimate.rate_kg_s is not None:
                _bounds(rate, who, worth.estimate.rate_kg_s.times(_HOUR_S))
            if worth.emissions is not None:
                _bounds(air, who, worth.emissions.equivalent_kg_year)
            if worth.loss is not None and worth.loss.money_year is not None:
                _bounds(loss, [*who, worth.assumed.currency], worth.loss.money_year)
        yield from (rate, loss, air)


def _bounds(family: GaugeMetricFamily, labels: list[str], value: Range) -> None:
    for bound in ("low", "middle", "high"):
        family.add_metric([*labels, bound], getattr(value, bound))
