"""Ages of values, through the station."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.entries import Instant, Reading, Sample
from daemon.mixing.station.station import ReservoirSettings, Station, sample_of
from tests.parts.events import AT
from tests.parts.weights import weights

AGE = st.just(0.0) | st.floats(0.0, 600.0)
ROW = st.tuples(
    st.floats(0.1, 30.0),
    st.none() | st.floats(0.0, 90.0),
    st.none() | st.floats(0.0, 39.0),
    AGE,
    AGE,
)
ROWS = st.lists(ROW, min_size=1, max_size=12)


def samples(rows: list[tuple[float, float | None, float | None, float, float]]) -> list[Sample]:
    """Samples one after the other, with the step before each, its values and their ages."""
    t_s, found = 0.0, []
    for step_s, conductivity, temperature, *ages_s in rows:
        t_s = round(t_s + step_s, 3)
        at = Instant(AT.wall + timedelta(seconds=t_s), t_s, "boot-1")
        fault = "" if conductivity is not None and temperature is not None else "no value"
        found.append(
            Sample("mix-1", "ct-1", at, conductivity, temperature, None, fault, "", *ages_s)
        )
    return found


def readings_of(given_: list[Sample]) -> list[Reading]:
    """What a new station makes of samples."""
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    entries = [entry for each in given_ for entry in station.advance(each)]
    return [each for each in entries if isinstance(each, Reading)]


@settings(max_examples=40)
@given(ROWS)
def test_ages_never_shrink_uncertainty(
    rows: list[tuple[float, float | None, float | None, float, float]],
) -> None:
    """A reading has the salinity of the same values of its own moment, and is at most as sure."""
    aged = readings_of(samples(rows))
    fresh = readings_of(samples([(*row[:3], 0.0, 0.0) for row in rows]))

    assert [each.salinity for each in fresh] == [each.salinity for each in aged]
    for one, other in zip(aged, fresh, strict=True):
        assert (one.salinity_u or 0.0) >= (other.salinity_u or 0.0)
        assert 0.0 == other.temperature_age_u_C == other.conductivity_age_u_mS_cm
        old = one.temperature_age_s > 0.001 and one.salinity is not None and one.salinity > 0.1
        assert not old or (one.salinity_u or 0.0) > (other.salinity_u or 0.0)


@settings(max_examples=40)
@given(ROWS)
def test_a_missing_value_never_yields_salinity(
    rows: list[tuple[float, float | None, float | None, float, float]],
) -> None:
    """However old the values are that there are."""
    for each in readings_of(samples(rows)):
        if each.temperature_C is None or each.conductivity_mS_cm is None:
            assert (None, None) == (each.salinity, each.salinity_u)


@settings(max_examples=40)
@given(ROWS)
def test_a_replay_of_readings_gives_the_same_readings(
    rows: list[tuple[float, float | None, float | None, float, float]],
) -> None:
    """The pace at which values moved follows from the readings alone."""
    live = readings_of(samples(rows))

    assert live == readings_of([sample_of(each) for each in live])
