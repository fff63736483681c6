"""Events that people are sent: a release and a refusal with their figures, and a due start."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from daemon.entries import Entry, Kind
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.events import PhaseChanged, StartDue
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.people import Bench, a_batch
from tests.parts.stories import BATCH, Story, of
from tests.parts.weights import weights


def changes(entries: list[Entry], to: str) -> list[tuple[datetime, PhaseChanged]]:
    """The changes to a phase, and when they were."""
    return [
        (each.at.wall, each.body)
        for each in of(entries, Kind.PHASE)
        if isinstance(each.body, PhaseChanged) and each.body.to == to
    ]


def test_a_release_says_its_salinity_and_until_when_the_water_may_be_used() -> None:
    """So that whoever reads that event alone can act; the other phases carry no figures."""
    bench = a_batch(34.0)
    ((at, released),) = changes(bench.entries, "ready")

    assert released.salinity == pytest.approx(34.0, abs=0.1)
    assert released.salinity_u is not None
    assert released.why.startswith(f"{released.salinity:.2f} ± {2 * released.salinity_u:.2f} ppt")
    assert released.use_by is not None
    assert datetime.fromisoformat(released.use_by) == at + timedelta(hours=BATCH.use_within_h)
    (_, verifying), *_ = changes(bench.entries, "verifying")
    assert (verifying.salinity, verifying.use_by) == (None, None)


def test_a_refusal_says_its_salinity_and_no_time_of_use() -> None:
    """Water outside the limits may never be used."""
    ((_, refused),) = changes(a_batch(30.0).entries, "off_target")

    assert refused.salinity == pytest.approx(30.0, abs=0.1)
    assert refused.use_by is None


def test_a_release_by_a_command_has_its_figures_too() -> None:
    """A person's confirmation is the last thing that it waited for."""
    bench = a_batch(34.0, replace(BATCH, needs_confirmation=True))
    assert [] == changes(bench.entries, "ready")
    bench.send("batch.confirm")
    ((_, released),) = changes(bench.entries, "ready")

    assert released.salinity is not None
    assert released.use_by is not None


def test_a_due_start_is_an_event_of_a_station_that_measures() -> None:
    """One, before the alarm of a missed start, and none on the day on which a batch is made."""
    due = DueBatch(None, 10, 0, 60.0)  # 10:00 less 30 min of mixing and 15 min free: 09:15
    settings = ReservoirSettings("mix-1", BATCH, due=(due,))
    bench = Bench(Story(period_s=10.0).still(90), Station({"mix-1": settings}, weights()))
    bench.run()
    (reminder,) = of(bench.entries, Kind.ADVICE)

    assert isinstance(reminder.body, StartDue)
    assert (reminder.reservoir, reminder.batch) == ("mix-1", "")
    assert f"{reminder.at.wall:%H:%M}" == "08:15"
    assert "start-missed" in bench.alarms
