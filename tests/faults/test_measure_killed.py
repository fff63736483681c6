"""Measuring killed without warning goes on as if nothing had happened."""

from __future__ import annotations

from pathlib import Path

from daemon.entries import Event, Kind, Phase, Reading
from tests.conftest import wait_until
from tests.parts.events import facts_in
from tests.services.service_parts import (
    Process,
    Station,
    assert_plain_speech,
    measuring,
    playing,
)


def kill_and_restart(station: Station, process: Process) -> None:
    """End it with SIGKILL, start it again, and wait until it measures."""
    process.kill()
    before = len(station.readings())
    process.start()
    station.wait_for_readings(before + 3)


def phases(station: Station) -> list[str]:
    """Where the batch went, in order."""
    return [str(facts_in(event)["to"]) for event in station.events(Kind.PHASE)]


def test_a_kill_while_dissolving_and_after_release_costs_nothing(tmp_path: Path) -> None:
    """Same batch, same phase, no number lost or used twice, released once, and not made young.

    What the journal held before each kill is in it afterwards, unchanged, and what follows is
    numbered from there without a hole.
    """
    station = Station(tmp_path)
    with playing(station, "plain-batch"), measuring(station) as process:
        station.wait_for(Phase.DISSOLVING)
        wait_until(lambda: len(station.events(Kind.FORECAST)) >= 2, "a forecast")
        batch, phase = station.picture()["batch"], station.picture()["phase"]
        dissolving = list(station.stored())
        kill_and_restart(station, process)
        assert (batch, phase) == (station.picture()["batch"], station.picture()["phase"])

        station.wait_for(Phase.READY)
        wait_until(lambda: hours(station) > 0.02, "the batch to age")
        ready, age_h = list(station.stored()), hours(station)
        kill_and_restart(station, process)
        assert (batch, Phase.READY) == (station.picture()["batch"], station.picture()["phase"])
        assert hours(station) > age_h
        assert process.stop() == 0

    kept = station.stored()
    assert list(range(1, len(kept) + 1)) == [item.seq for item in kept]
    assert dissolving == kept[: len(dissolving)]
    assert ready == kept[: len(ready)]
    assert ["blank", "dissolving", "verifying", "ready"] == phases(station)
    restarts = [
        e for e in station.events(Kind.ALARM) if facts_in(e)["name"] == "measuring-restarted"
    ]
    assert ("raised", "") == (facts_in(restarts[0])["what"], restarts[0].reservoir)
    assert {batch} == {event.batch for event in station.events(Kind.PHASE)}
    assert 3 == sum(began(item.entry) for item in kept)
    assert len(station.readings()) == len({r.at for r in station.readings()})
    since_release_h = (last(station).at.mono_s - released(station).at.mono_s) / 3600.0
    assert abs(since_release_h - hours(station)) < 0.01
    assert_plain_speech(process)


def hours(station: Station) -> float:
    """Hours since release, as the picture has it."""
    age_h = station.picture()["age_h"]
    return age_h if isinstance(age_h, float) else 0.0


def began(entry: Reading | Event) -> bool:
    """Whether an entry tells that measuring began."""
    return isinstance(entry, Event) and facts_in(entry).get("state") == "measuring began"


def released(station: Station) -> Event:
    """The one release."""
    (event,) = (e for e in station.events(Kind.PHASE) if facts_in(e)["to"] == Phase.READY)
    return event


def last(station: Station) -> Reading:
    """The newest reading."""
    return station.readings()[-1]
