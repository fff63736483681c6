"""The whole view as OpenMetrics, made for each scrape; nothing is counted here.

A measured value is given while it is fresh and its flag lets it count; an old one is left out,
so that no graph goes on where nothing is measured.

Names end in the unit, which is a base unit: conductivity is in S/m, a tenth of
its figure in mS/cm.  Practical salinity has none: what the trade calls ppt is a
number on a scale of conductivity ratios.

Source: OpenMetrics 1.0 (2020), 3.1.9.3 and 5.3 (units), 3.2.3 (state sets); PSS-78.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector, CollectorRegistry

from daemon import __version__
from daemon.entries import Flag, Follower, Phase
from daemon.mixing.probe.status_signal import Health
from daemon.page.view import ReservoirView, StationView
from daemon.printable import plain

HEALTH = [*map(str, Health)]
"""Status signals of a probe, in the words of NAMUR NE 107 (2017, from memory)."""
USABLE_FLAGS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)
MEASURED = (
    ("practical_salinity", "salinity", "", 1.0, "Practical salinity (PSS-78), in the trade's ppt."),
    (
        "practical_salinity_standard_uncertainty",
        "salinity_u",
        "",
        1.0,
        "Standard uncertainty (k=1) of the practical salinity.",
    ),
    (
        "conductivity_siemens_per_meter",
        "conductivity_mS_cm",
        "siemens_per_meter",
        0.1,
        "Conductivity at the temperature of the water, as indicated.",
    ),
    ("temperature_celsius", "temperature_C", "celsius", 1.0, "Temperature of the water (ITS-90)."),
    ("batch_age_seconds", "age_h", "seconds", 3600.0, "Time since the batch was released."),
    ("reading_flag", "flag", "", 1.0, "QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 none"),
)
"""Name, field of the snapshot, unit, factor, help."""
_ASKED_VERSION = re.compile(r"version=([^;,]*)")
_VERSION = re.compile(r"\s*([0-9]{1,4}(\.[0-9]{1,4}){0,3}\s*)?", re.ASCII)


def exposition(view: StationView, accept: str) -> tuple[bytes, str]:
    """Return the metrics in the best text form that is accepted, and its content type.

    Args:
        view: What there is to show.
        accept: The header `Accept` of the request; empty for none.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_ViewCollector(view))
    # The library compares a version with numbers, whatever it is.
    plain_versions = all(map(_VERSION.fullmatch, _ASKED_VERSION.findall(accept)))
    encode, content_type = choose_encoder(accept if plain_versions else "")
    return encode(registry), content_type


@dataclass(frozen=True, slots=True, eq=False)  # the registry knows it by identity
class _ViewCollector(Collector):
    view: StationView

    def collect(self) -> Iterator[Metric]:
        """Give every metric of this one view."""
        return families(self.view)


def families(view: StationView) -> Iterator[Metric]:
    """Yield every metric of a view; what is unknown has no sample."""
    yield InfoMetricFamily(
        "brinewright_build", "The program that runs.", {"version": plain(__version__)}
    )
    yield from _of_reservoirs(view.reservoirs)
    alarms = GaugeMetricFamily(
        "brinewright_alarm_active",
        "Each alarm that is not normal: 1 while its condition is active; no reservoir: the station",
        labels=("reservoir", "name", "priority", "state"),
    )
    for each in view.alarms:
        labels = (each.reservoir, each.name, each.priority, each.state)
        alarms.add_metric([plain(word) for word in labels], float(each.active))
    yield alarms
    yield from _of_followers(view.followers)
    yield from _of_journal(view)


def _of_reservoirs(reservoirs: Iterable[ReservoirView]) -> Iterator[Metric]:
    for name, key, unit, factor, text in MEASURED:
        metric = _gauge(name, text, unit)
        for each in reservoirs:
            value = _number(each, key)
            if value is not None:
                metric.add_metric([plain(each.settings.name)], value * factor)
        yield metric
    age = _gauge("reading_age_seconds", "Since the last reading, with or without value.", "seconds")
    target = _gauge("practical_salinity_target", "Target of practical salinity.")
    tolerance = _gauge("practical_salinity_tolerance", "Half of the tolerance interval.")
    phases = StateSetMetricFamily(
        "brinewright_phase", "Phase of the reservoir.", labels=("reservoir",)
    )
    probes = StateSetMetricFamily(
        "brinewright_probe_health", "Health of a probe (NE 107).", labels=("reservoir", "probe")
    )
    for each in reservoirs:
        label = [plain(each.settings.name)]
        target.add_metric(label, each.settings.target_ppt)
        tolerance.add_metric(label, each.settings.tolerance_ppt)
        if each.age_s is not None:
            age.add_metric(label, each.age_s)
        if each.snapshot is not None:
            phase = each.snapshot.phase
            phases.add_metric(label, {str(one): one == phase for one in Phase})
        for name, health in each.probes.items():
            probes.add_metric([*label, plain(name)], {one: one == health for one in HEALTH})
    yield from (age, target, tolerance, phases, probes)


def _of_followers(followers: Iterable[Follower]) -> Iterator[Metric]:
    label = ("publisher",)
    waiting = _gauge(
        "publisher_backlog_entries", "Not yet acknowledged; counted to 10,000.", "entries", label
    )
    behind = _gauge("publisher_backlog_age_seconds", "Age of the oldest of them.", "seconds", label)
    succeeded = _gauge(
        "publisher_last_success_timestamp_seconds", "When it last worked.", "seconds", label
    )
    refused = CounterMetricFamily(
        "brinewright_publisher_refused_entries",
        "Entries that the receiver will never take, left out.",
        labels=label,
    )
    failing = _gauge("publisher_failing", "1 while it fails.", labels=label)
    for each in followers:
        name = [plain(each.name)]
        waiting.add_metric(name, each.waiting)
        behind.add_metric(name, each.behind_s)
        failing.add_metric(name, float(bool(each.error)))
        refused.add_metric(name, each.refused)
        if each.last_success_at is not None:
            succeeded.add_metric(name, each.last_success_at.timestamp())
    yield from (waiting, behind, succeeded, refused, failing)


def _of_journal(view: StationView) -> Iterator[Metric]:
    yield _one("journal_readable", "1 if the journal could be read.", "", not view.trouble)
    if view.last_seq is not None:
        entries = CounterMetricFamily(
            "brinewright_journal_entries", "Entries written since the journal was made."
        )
        entries.add_metric([], view.last_seq)
        yield entries
    if view.journal_bytes is not None:
        yield _one("journal_size_bytes", "Of the file and its log.", "bytes", view.journal_bytes)
    if view.free_bytes is not None:
        yield _one("storage_free_bytes", "Where the journal lies.", "bytes", view.free_bytes)


def _gauge(
    name: str, text: str, unit: str = "", labels: tuple[str, ...] = ("reservoir",)
) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"brinewright_{name}", text, labels=labels, unit=unit)


def _one(name: str, text: str, unit: str, value: float) -> GaugeMetricFamily:
    metric = _gauge(name, text, unit, ())
    metric.add_metric([], value)
    return metric


def _number(reservoir: ReservoirView, key: str) -> float | None:
    """Return a fresh value that counts; None for any other."""
    if reservoir.snapshot is None or not reservoir.fresh:
        return None
    if key in ("salinity", "salinity_u") and reservoir.snapshot.flag not in USABLE_FLAGS:
        return None
    value: float | None = getattr(reservoir.snapshot, key)
    return None if value is None else float(value)
