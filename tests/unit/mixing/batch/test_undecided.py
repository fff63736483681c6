"""What would decide a batch is said in the order in which to try it, with figures that do."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import BatchSettings, BatchState, Judgement, SecondReading
from daemon.mixing.batch.undecided import undecided_sentence
from daemon.mixing.seawater.conformance import accept
from daemon.mixing.seawater.dosing import outcome

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
SETTINGS = BatchSettings()


def verifying(salinity: float | None, u: float | None, **more: float) -> BatchState:
    """A batch that is undecided at this salinity and standard uncertainty."""
    return BatchState(Phase.VERIFYING, "b", judgement=Judgement(salinity, u, 0.02, **more))  # type: ignore[arg-type]


def sentence(state: BatchState, settings: BatchSettings = SETTINGS, zone: str = "UTC") -> str:
    """What is said of it at noon, 10 000 s after the start."""
    return undecided_sentence(state, 10_000.0, NOON, ZoneInfo(zone), settings)


@pytest.mark.parametrize("salinity, unit", [(33.2, "g of salt mix"), (34.8, "L of purified water")])
def test_water_near_a_limit_is_told_what_proves_it(salinity: float, unit: str) -> None:
    """Added as said, it reads what this probe, worth u = 0.2, proves to be within 33 to 35."""
    said = sentence(verifying(salinity, 0.2))
    found = re.search(rf"or add about ([\d.]+) {unit}, which makes ([\d.]+) ppt", said)
    assert found is not None, said
    added = float(found[1])
    salt_g, water_l = (added, 0.0) if "salt" in unit else (0.0, added)
    reached = outcome(180.0, salinity, salt_g, water_l, 0.881).salinity

    assert float(found[2]) == pytest.approx(reached, abs=0.01)
    assert "inside" == accept(reached, 0.2, 33.0, 35.0, 0.95)
    assert [0, 1, 2] == [
        place
        for place, part in enumerate(said.split(": ", 1)[1].split("; "))
        if ("clean the probe", "take a second reading", "or add about")[place] in part
    ]


@pytest.mark.parametrize("u", [0.6, 1.0, 3.0])
def test_a_tolerance_that_the_probe_cannot_prove_is_named_with_one_that_it_can(u: float) -> None:
    """Calibration first; the wider tolerance is the least that would release this reading."""
    said = sentence(verifying(34.1, u))
    found = re.search(r"set tolerance_ppt to ([\d.]+) or more", said)
    assert found is not None, said
    wide = float(found[1])

    assert "this probe cannot prove 33 to 35 ppt" in said
    assert said.index("calibrate it") < said.index("tolerance_ppt")
    assert "add about" not in said
    assert "inside" == accept(34.1, u, 34.0 - wide, 34.0 + wide, 0.95)
    assert "inside" != accept(34.1, u, 34.1 - wide, 33.9 + wide, 0.95)


def test_what_a_person_owes_comes_first() -> None:
    """A confirmation, a second reading and a temperature that is awaited, each in its words."""
    settings = replace(
        SETTINGS,
        needs_confirmation=True,
        needs_second_reading=True,
        temperature_range_C=(25.0, 27.0),
    )
    said = sentence(replace(verifying(34.0, 0.1), temperature_C=22.1), settings)

    assert (
        "34.00 ± 0.20 ppt (k=2) is within 33 to 35 ppt, and release waits: temperature is 22.1 °C,"
        " wanted 25 to 27 °C; confirm that the water is clear and the bottom clean ('brinewright"
        " batch confirm'); enter what an independent instrument reads ('brinewright batch reading')"
        == said
    )


def test_instruments_that_disagree_are_the_reason() -> None:
    """The probe proves it, and another instrument says otherwise."""
    state = replace(verifying(34.0, 0.1), second=SecondReading(36.0, 0.2, "lab"))

    assert "lab reads +2.00 ppt from the probe" in sentence(state)
    assert "clean the probe" not in sentence(state)


def test_waiting_names_the_time_at_which_it_can_decide() -> None:
    """After 60 bins at 33.2 the last minutes at 33.6 bring the mean to 33.33 in about 5 min."""
    state = verifying(33.6, 0.2, mean=33.2, mean_bins=60)
    (edge,) = [
        tenth / 1000.0
        for tenth in range(33000, 34000)
        if accept(tenth / 1000.0, 0.2, 33.0, 35.0, 0.95) == "inside"
    ][:1]
    wait_s = 10.0 * 60 * (edge - 33.2) / (33.6 - edge)

    assert "is within 33 to 35 ppt, and was not before: wait until 2026-03-02" in sentence(state)
    assert 240.0 < wait_s < 300.0
    assert "12:04 UTC at the earliest" in sentence(state)
    assert "13:04 CET" in sentence(state, zone="Europe/Berlin")


@pytest.mark.parametrize("salinity, mean", [(33.1, 33.2), (33.6, 33.5), (33.34, 33.0)])
def test_no_time_is_named_where_waiting_cannot_decide(salinity: float, mean: float) -> None:
    """The last minutes are undecided too, both are inside, or it would take days."""
    assert "wait until" not in sentence(verifying(salinity, 0.2, mean=mean, mean_bins=3000))


def test_a_drift_names_when_it_can_have_been_at_rest_for_half_an_hour() -> None:
    """At 9 000 s it drifted: at 10 800 s, which is 13:20 less 1 000 s before noon's count."""
    drifting = replace(verifying(34.0, 0.1), drifted_s=9_000.0)

    assert "and release waits: wait until 2026-03-02 12:13 UTC" in sentence(drifting)
    drifting.drifted_s = 0.0
    assert "release waits: salinity is drifting, and must have been at rest" in sentence(drifting)


def test_without_a_reading_the_probe_is_to_be_looked_at() -> None:
    """Nothing else can decide."""
    assert "no reading can be used" in sentence(verifying(None, None))
    assert "no reading can be used" in sentence(verifying(34.0, None))


def test_no_advice_makes_the_vessel_run_over() -> None:
    """Where what it takes does not fit, it is left out."""
    full = replace(SETTINGS, vessel=replace(SETTINGS.vessel, fill_l=219.9))

    assert "add about" not in sentence(verifying(34.8, 0.2), full)
    assert "add about" in sentence(verifying(33.2, 0.2), SETTINGS)
