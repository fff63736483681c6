"""The metrics are OpenMetrics, hold what is known, and leave out what would only be repeated."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from prometheus_client import Metric
from prometheus_client.openmetrics import parser as openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_plain

from daemon.entries import JSON, Follower
from daemon.page.metrics import exposition, families
from daemon.page.view import StationView
from daemon.printable import plain
from tests.page.page_parts import NOW, alarm_view, reservoir_view, station_view

OPENMETRICS = "application/openmetrics-text; version=1.0.0"
BASE_UNITS = {"", "seconds", "bytes", "celsius", "siemens_per_meter", "entries"}
MEASURED = (
    "practical_salinity",
    "practical_salinity_standard_uncertainty",
    "conductivity_siemens_per_meter",
    "temperature_celsius",
    "reading_flag",
    "batch_age_seconds",
)


def metrics_of(view: StationView) -> dict[str, Metric]:
    """Each family by its name without our own beginning, as a strict reader has it."""
    body, content_type = exposition(view, OPENMETRICS)
    assert content_type.startswith("application/openmetrics-text; version=1.0.0")
    read: Callable[[str], Iterator[Metric]] = openmetrics.text_string_to_metric_families
    found = read(body.decode())
    return {family.name.removeprefix("brinewright_"): family for family in found}


def values(family: Metric) -> list[float]:
    """The values of a family."""
    return [sample.value for sample in family.samples]


def test_a_strict_reader_finds_every_figure_in_base_units() -> None:
    """The figures of the snapshot, converted, under the reservoir's name."""
    found = metrics_of(station_view())

    assert {
        "practical_salinity": [33.9],
        "practical_salinity_standard_uncertainty": [0.05],
        "conductivity_siemens_per_meter": [pytest.approx(5.1)],
        "temperature_celsius": [24.5],
        "reading_flag": [1.0],
        "batch_age_seconds": [5400.0],
        "reading_age_seconds": [2.0],
        "practical_salinity_target": [34.0],
        "practical_salinity_tolerance": [1.0],
        "journal_readable": [1.0],
        "journal_entries": [4711.0],
        "journal_size_bytes": [49_152.0],
        "storage_free_bytes": [8e9],
        "build": [1.0],
    } == {
        name: values(family)
        for name, family in found.items()
        if family.samples and family.type != "stateset"
    }
    assert {"reservoir": "mix-1"} == found["practical_salinity"].samples[0].labels


def test_exactly_one_phase_and_one_health_holds() -> None:
    """Both are sets of states, of which the present one is 1; each probe has its own."""
    healths: dict[str, JSON] = {"ct-1": "failure", "ct-2": "good"}
    found = metrics_of(station_view(reservoir_view(phase="off_target", probes_health=healths)))
    phases, probes = found["phase"].samples, found["probe_health"].samples

    assert (7, 2 * 5) == (len(phases), len(probes))
    assert ["off_target"] == [each.labels["brinewright_phase"] for each in phases if each.value]
    assert healths == {
        each.labels["probe"]: each.labels["brinewright_probe_health"]
        for each in probes
        if each.value
    }


def test_units_are_base_units_and_end_the_name() -> None:
    """Who graphs need not guess: the unit is in the name and is declared."""
    units = {family.name: family.unit for family in families(station_view())}

    assert [] == [name for name, unit in units.items() if unit and not name.endswith(f"_{unit}")]
    assert BASE_UNITS >= set(units.values())


def test_an_alarm_is_there_until_it_is_at_rest() -> None:
    """With its name, priority and state; of the station under none; 1 while it is active."""
    found = metrics_of(
        station_view(
            alarms=(
                alarm_view(),
                alarm_view("", name="storage-low", state="returned-unacknowledged", active=False),
            )
        )
    )

    assert [
        ("mix-1", "batch-off-target", "high", "unacknowledged", 1.0),
        ("", "storage-low", "high", "returned-unacknowledged", 0.0),
    ] == [
        (*(each.labels[key] for key in ("reservoir", "name", "priority", "state")), each.value)
        for each in found["alarm_active"].samples
    ]
    assert [] == metrics_of(station_view())["alarm_active"].samples


def test_each_publisher_tells_how_far_behind_it_is() -> None:
    """The backlog, its age, when it last worked, what was refused, and whether it fails now."""
    found = metrics_of(
        StationView(
            "quarantine-wing",
            station_view().at,
            (),
            followers=(
                Follower("mqtt", 12, 30.5, "no broker", last_success_at=NOW),
                Follower("influx", 0, 0.0, refused=3),
            ),
        )
    )

    assert [12.0, 0.0] == values(found["publisher_backlog_entries"])
    assert [30.5, 0.0] == values(found["publisher_backlog_age_seconds"])
    assert [1.0, 0.0] == values(found["publisher_failing"])
    assert [NOW.timestamp()] == values(found["publisher_last_success_timestamp_seconds"])
    assert [0.0, 3.0] == values(found["publisher_refused_entries"])
    assert ["mqtt", "influx"] == [
        sample.labels["publisher"] for sample in found["publisher_failing"].samples
    ]


@pytest.mark.parametrize("age_s", [61.0, -61.0, None])
def test_figures_that_are_not_of_now_are_left_out(age_s: float | None) -> None:
    """No flat line goes on where nobody measures; the age tells why."""
    found = metrics_of(station_view(reservoir_view(age_s=age_s)))

    assert [] == [name for name in MEASURED if found[name].samples]
    assert ([] if age_s is None else [age_s]) == values(found["reading_age_seconds"])


def test_a_salinity_that_failed_its_tests_is_left_out() -> None:
    """Automations believe numbers; what the probe said is there, and so is the flag."""
    found = metrics_of(station_view(reservoir_view(flag=4)))

    assert [] == values(found["practical_salinity"])
    assert [4.0] == values(found["reading_flag"])
    assert [24.5] == values(found["temperature_celsius"])


def test_a_journal_that_cannot_be_read_is_reported() -> None:
    """The scrape succeeds and says so."""
    found = metrics_of(station_view(reservoir_view(age_s=None), trouble="disk on fire"))

    assert [0.0] == values(found["journal_readable"])
    assert "journal_entries" not in found


@pytest.mark.parametrize("accept", ["", "*/*", "text/plain", "text/plain; version=0.0.4"])
def test_who_does_not_know_the_format_gets_the_older_one(accept: str) -> None:
    """The plain text that every scraper reads."""
    body, content_type = exposition(station_view(), accept)
    names = {family.name for family in read_plain(body.decode())}

    assert content_type.startswith("text/plain; version=0.0.4")
    assert "brinewright_practical_salinity" in names
    assert b"# EOF" not in body


@given(
    st.text(st.characters(codec=None), min_size=1, max_size=60),
    st.text(st.characters(codec=None), max_size=60),
    st.text(max_size=100),
)
@example("half a pair: \ud800", 'a "quote", a \\ and a \n', "")
def test_no_name_breaks_the_format(name: str, word: str, accept: str) -> None:
    """Whatever a reservoir or an alarm is called is read back as it was, and never as more."""
    view = station_view(reservoir_view(name), alarms=(alarm_view(name, name=word, why=word),))
    found = metrics_of(view)

    assert [plain(name)] == [
        each.labels["reservoir"] for each in found["temperature_celsius"].samples
    ]
    assert [(plain(name), plain(word))] == [
        (each.labels["reservoir"], each.labels["name"]) for each in found["alarm_active"].samples
    ]
    assert set(metrics_of(station_view(alarms=(alarm_view(),)))) == set(found)
    assert exposition(view, accept)[0]
