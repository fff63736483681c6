"""A probe that is lifted and put back, however it is read: the batch stays, as old as it is."""

from __future__ import annotations

from math import exp

import gsw
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from daemon.entries import Entry, Kind
from daemon.mixing.station.station import Station
from tests.parts.events import facts_in
from tests.parts.stories import Story, a_station, of

WATER_C, AIR_C = 24.0, 22.0
WARMTH_LAG_S = 20.0
MOST_READINGS = 900
"""So many readings away at the most: the shorter their period, the shorter the time away."""


def hang(story: Story, minutes: float, lag_s: float) -> None:
    """The probe is lifted into air, behind the lags of its cell and of its thermometer."""
    _settle(story, minutes, lag_s, (_level(story), 0.0), (WATER_C, AIR_C))


def put_back(story: Story, minutes: float, lag_s: float) -> None:
    """The probe is put back into its water, likewise."""
    _settle(story, minutes, lag_s, (0.0, _level(story)), (AIR_C, WATER_C))


def _level(story: Story) -> float:
    return float(gsw.C_from_SP(story.salinity, WATER_C, 0.0))


def _settle(
    story: Story,
    minutes: float,
    lag_s: float,
    levels: tuple[float, float],
    warmths_C: tuple[float, float],
) -> None:
    for n in range(round(minutes * 60.0 / story.period_s)):
        gone_s = n * story.period_s
        level, warmth_C = (
            end + (start - end) * exp(-gone_s / lag)
            for (start, end), lag in ((levels, lag_s), (warmths_C, WARMTH_LAG_S))
        )
        noisy = level * (1.0 + story.dice.gauss(0.0, 1.5e-4))
        story.say(round(noisy, 3), round(warmth_C + story.dice.gauss(0.0, 0.006), 2))


def ages_s(station: Station) -> float | None:
    """As of when the age of the water counts, s."""
    return station.state.reservoirs["mix-1"].batch.age.released_s


def steps(entries: list[Entry]) -> list[str]:
    """What happened to batches, in order."""
    return [str(facts_in(each)["what"]) for each in of(entries, Kind.BATCH)]


@given(
    lag_s=st.floats(1.0, 15.0),
    period_s=st.floats(1.0, 30.0),
    salinity=st.floats(30.0, 38.0),
    away_min=st.floats(2.0, 360.0),
)
@example(lag_s=1.0, period_s=7.75, salinity=34.0, away_min=2.0)
@settings(max_examples=30, phases=(Phase.explicit, Phase.generate))
def test_a_probe_that_was_away_neither_ends_nor_begins_nor_rejuvenates(
    lag_s: float, period_s: float, salinity: float, away_min: float
) -> None:
    """Whatever lag, period, water and time away: suspended and resumed at most."""
    story, station = Story(period_s).still(6).dissolve(salinity, 40), a_station()
    assert ["began"] == steps(story.play(station))
    before_s = ages_s(station)
    hang(story, min(away_min, MOST_READINGS * period_s / 60.0), lag_s)
    put_back(story, 12.0, lag_s)
    said = story.play(station)

    assert set(steps(said)) <= {"suspended", "resumed"}
    assert steps(said)[-1:] in ([], ["resumed"])
    assert "mix-1-20260302-1" == station.state.reservoirs["mix-1"].batch.id
    if before_s is not None:
        assert before_s == ages_s(station)
