"""When the water may be used: a forecast while it mixes, words before, facts after."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

import pytest

from daemon.entries import Entry, Instant, Kind, Phase
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.events import ForecastMade
from daemon.mixing.stability.release_forecast import NOT_YET, ForecastBasis, release_forecast
from daemon.mixing.station.expected_release import WITHOUT_READINGS
from daemon.mixing.station.release_outlook import UNTRAINED
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.stories import BATCH, Story, a_station, mixed, of
from tests.parts.weights import weights


def snapshots(story: Story, station: Station) -> Iterator[ReservoirSnapshot]:
    """Yield the snapshot after each sample of a story."""
    given, story.samples = story.samples, []
    for sample in given:
        station.advance(sample)
        found = station.snapshot("mix-1", sample.at)
        assert isinstance(found, ReservoirSnapshot)
        yield found


def forecasts(settings: BatchSettings = BATCH, salinity: float = 34.0) -> list[ForecastMade]:
    """Return the forecast events of a plain batch."""
    events = of(mixed(salinity).play(settings=settings), Kind.FORECAST)
    return [each.body for each in events if isinstance(each.body, ForecastMade)]


def test_a_moment_ahead_is_never_a_fact_nor_one_in_the_past() -> None:
    """Steadiness has no time before it is there, and what is expected lies ahead always."""
    seen = set()
    for each in snapshots(mixed(), a_station()):
        if each.phase is not Phase.DISSOLVING:
            assert (None, "") == (each.expected_ready_at, each.forecast_note)
            assert (each.stable_at is None) == (each.phase in (Phase.IDLE, Phase.BLANK))
            continue
        assert each.stable_at is None
        assert each.forecast_note or each.expected_ready_at
        if each.expected_ready_at is None:
            seen.add("words")
            continue
        seen.add("time")
        low, middle, high = (
            datetime.fromisoformat(str(moment))
            for moment in (
                each.expected_ready_low,
                each.expected_ready_at,
                each.expected_ready_high,
            )
        )
        assert low <= middle <= high
        assert (middle - datetime.fromisoformat(each.time)).total_seconds() >= 0.0
    assert {"words", "time"} == seen


def test_it_begins_with_words_and_each_reason_is_told_once() -> None:
    """No number just after the salt; a reason that stays is not repeated each minute."""
    told = forecasts()
    reasons = [each.forecast_note for each in told if each.expected_ready_at is None]

    assert told[0].expected_ready_at is None
    assert ["no forecast yet: only 1 min since salt came"] == [
        each for each in reasons if each != NOT_YET
    ]
    assert len(reasons) <= 2
    assert told[-1].expected_ready_at is not None


@pytest.mark.parametrize(
    "settings, salinity, needs",
    [
        (BATCH, 34.0, ""),
        (replace(BATCH, needs_confirmation=True), 34.0, "release then needs a confirmation"),
        (
            replace(BATCH, needs_confirmation=True, needs_second_reading=True),
            34.0,
            "release then needs a confirmation and a second reading",
        ),
        (
            replace(BATCH, temperature_range_C=(25.0, 27.0)),
            34.0,
            "release then needs water of 25 to 27 °C, which is at 24.0 °C",
        ),
        (BATCH, 31.0, "release then needs a correction, heading for 31.0 ppt as it is"),
    ],
)
def test_what_a_release_needs_besides_time_is_said(
    settings: BatchSettings, salinity: float, needs: str
) -> None:
    """With the last forecast before the water is steady."""
    last = forecasts(settings, salinity)[-1]

    assert last.expected_ready_at is not None
    assert needs == last.forecast_note


def test_the_final_salinity_is_forecast_with_its_interval() -> None:
    """The last one before the call holds what comes, and is narrower than the limits."""
    last = forecasts()[-1]

    assert last.final_salinity is not None
    assert last.final_low is not None
    assert last.final_high is not None
    assert last.final_low <= 34.0 <= last.final_high
    assert last.final_high - last.final_low < 0.5


def test_a_forecast_that_no_reading_renews_is_withdrawn() -> None:
    """After three minutes of silence there are words instead of a moment that passes."""
    station = a_station()
    story = mixed(minutes=10)
    (*_, mixing) = snapshots(story, station)
    assert mixing.expected_ready_at is not None

    (*_, silent) = snapshots(story.silence(4.0), station)

    assert Phase.DISSOLVING is silent.phase
    assert (None, WITHOUT_READINGS) == (silent.expected_ready_at, silent.forecast_note)


def test_the_forecast_goes_on_after_a_restart() -> None:
    """It is part of the checkpoint, so that no minute is without one."""
    station, story = a_station(), mixed(minutes=10)
    (*_, before) = snapshots(story, station)
    state = restore(dump(station.state))
    again = Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, weights(), state)
    after = again.snapshot("mix-1", Instant(datetime.fromisoformat(before.time), 0.0))

    assert isinstance(after, ReservoirSnapshot)
    assert before.expected_ready_at == after.expected_ready_at is not None


def test_without_a_trained_head_nothing_is_forecast() -> None:
    """That is said, and the decision is the same."""
    untrained = replace(weights(), head=None)
    entries = mixed().play(Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, untrained))

    (told,) = of(entries, Kind.FORECAST)
    assert isinstance(told.body, ForecastMade)
    assert UNTRAINED == told.body.forecast_note
    assert calls(mixed().play()) == calls(entries)


def calls(entries: list[Entry]) -> list[datetime]:
    """Return when the water was called steady."""
    return [each.at.wall for each in of(entries, Kind.STABILISED)]


def test_nothing_is_forecast_while_an_interlock_blocks_the_call() -> None:
    """The reason of the interlock is the reason why there is no forecast."""
    head = weights().head
    assert head is not None
    basis = ForecastBasis((0.0,) * head.mean.size, 33.0, 0.1, 3.0, "the probe is stuck")

    made = release_forecast(head, basis)

    assert (None, None, "no forecast yet: the probe is stuck") == (
        made.ready_min,
        made.final,
        made.note,
    )
