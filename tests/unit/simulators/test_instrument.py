"""What the simulated probe does to the truth."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from statistics import correlation, fmean, stdev

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.instrument import Character, Instrument, InstrumentError, Spoken, Trouble

QUIET = Character(
    conductivity_lag_s=0.0,
    temperature_lag_s=0.0,
    noise_share=0.0,
    noise_mS_cm=0.0,
    wander_share=0.0,
    temperature_noise_C=0.0,
)


def messages(
    instrument: Instrument,
    n: int = 200,
    conductivity: float = 50.0,
    period_s: float = 2.0,
    start: int = 0,
) -> list[Spoken]:
    """Return what an instrument says in steady water of 24 °C."""
    said = []
    for k in range(start, start + n):
        instrument.follow(period_s, conductivity, 24.0)
        said.append(instrument.speak(k * period_s))
    return said


def numbers(said: list[Spoken]) -> list[float]:
    """Return the conductivities of those replies that hold one, mS/cm."""
    return [each.conductivity_mS_cm for each in said if each.conductivity_mS_cm is not None]


@given(seed=st.integers(), bubbles=st.floats(0.0, 500.0), dropouts=st.floats(0.0, 1.0))
@settings(max_examples=20)
def test_the_same_seed_says_the_same_words(seed: int, bubbles: float, dropouts: float) -> None:
    """Two instruments with one seed agree to the byte, whatever ails them."""

    def all_words() -> list[bytes]:
        trouble = Trouble(bubbles_per_h=bubbles, dropout_chance=dropouts)
        words = [each.words for each in messages(Instrument(Character(), seed, trouble), 50)]
        garbage = Instrument(Character(), seed, Trouble(garbage=True))
        return words + [each.words for each in messages(garbage, 20)]

    assert all_words() == all_words()


def test_another_seed_says_other_words() -> None:
    """The seed matters: two seeds do not give one noise."""
    assert messages(Instrument(seed=1)) != messages(Instrument(seed=2))


@given(seed=st.integers(), per_h=st.floats(1.0, 2000.0), depth=st.floats(0.01, 1.0))
@settings(max_examples=20)
def test_bubbles_only_lower(seed: int, per_h: float, depth: float) -> None:
    """With the same seed a reading with bubbles is the one without, or lower, never below 0."""
    clean = numbers(messages(Instrument(Character(), seed)))
    gassed = numbers(messages(Instrument(Character(), seed, Trouble(per_h, depth))))

    assert all(low <= high for low, high in zip(gassed, clean, strict=True))
    assert all(low >= high * (1.0 - depth) - 0.001 for low, high in zip(gassed, clean, strict=True))


@pytest.mark.parametrize("period_s", [2.0, 60.0])
def test_bubbles_come_as_often_as_they_were_ordered(period_s: float) -> None:
    """At 30 an hour of 20 s each a seventh of the time is under a bubble, however often asked.

    By hand: 1 - exp(-30 * 20 / 3600) = 0.154 for independent bubbles.
    """
    said = numbers(
        messages(Instrument(QUIET, 5, Trouble(bubbles_per_h=30.0)), 10000, 50.0, period_s)
    )
    under = sum(value < 50.0 for value in said) / len(said)

    assert under == pytest.approx(0.154, abs=0.02)


def test_conductivity_and_temperature_lag_at_first_order() -> None:
    """After a step, what is felt is short by exp(-t/lag), each with its own lag."""
    probe = Instrument(replace(QUIET, conductivity_lag_s=4.0, temperature_lag_s=10.0, step_C=0.0))
    probe.follow(1.0, 10.0, 20.0)
    for _ in range(80):
        probe.follow(0.1, 50.0, 30.0)
    said = probe.speak(9.0)

    assert said.conductivity_mS_cm == pytest.approx(50.0 - 40.0 * exp(-2.0), abs=1e-3)
    assert said.temperature_C == pytest.approx(30.0 - 10.0 * exp(-0.8), abs=1e-6)


def test_gain_and_offsets_bend_the_truth_as_told() -> None:
    """Conductivity is truth times gain plus offset; temperature is truth plus its offset."""
    bent = replace(QUIET, gain=1.02, offset_mS_cm=-0.5, temperature_offset_C=0.25)
    said = messages(Instrument(bent), 1)[0]

    assert said.conductivity_mS_cm == pytest.approx(50.0 * 1.02 - 0.5, abs=1e-3)
    assert said.temperature_C == 24.25


def test_noise_has_the_size_and_the_memory_it_was_given() -> None:
    """White and correlated noise add in variance; neighbours share what AR(1) lets them.

    By hand: variance a² + b², correlation at one step b² exp(-2/20) / (a² + b²).
    """
    noisy = replace(QUIET, noise_share=3e-4, wander_share=4e-4, wander_s=20.0)
    said = numbers(messages(Instrument(noisy, 3), 20000))

    assert fmean(said) == pytest.approx(50.0, abs=2e-3)
    assert stdev(said) == pytest.approx(50.0 * 5e-4, rel=0.05)
    assert correlation(said[:-1], said[1:]) == pytest.approx(0.64 * exp(-0.1), abs=0.04)


def test_values_come_in_steps() -> None:
    """Five digits of conductivity and hundredths of a degree, as the display has them."""
    said = messages(Instrument(QUIET), 1, conductivity=50.123456)[0]

    assert said == Spoken(b"50123.0,24.00\r", 50.123, 24.0)


def test_drift_adds_up_over_days() -> None:
    """A gain that drifts 2 % a day is 1 % up after twelve hours."""
    probe = Instrument(QUIET, 1, Trouble(drift_per_day=0.02))
    said = messages(probe, 1441, period_s=30.0)

    assert said[-1].conductivity_mS_cm == pytest.approx(50.5, abs=2e-3)


def test_a_stuck_probe_repeats_itself() -> None:
    """Once stuck it says its last words for ever, whatever the water does."""
    probe = Instrument()
    before = messages(probe, 5)
    probe.trouble.stuck = True
    after = messages(probe, 5, conductivity=20.0, start=5)

    assert {each.words for each in after} == {before[-1].words}


def test_dropouts_are_silence_and_no_number() -> None:
    """About the share asked for is silent, and a silent reply holds no value."""
    said = messages(Instrument(QUIET, 2, Trouble(dropout_chance=0.2)), 5000)
    silent = [each for each in said if each.words == b""]

    assert len(silent) / 5000 == pytest.approx(0.2, abs=0.02)
    assert {each.conductivity_mS_cm for each in silent} == {None}


def test_garbage_holds_no_number_and_is_more_than_text() -> None:
    """Garbage is random bytes, any of the 256, and counts as no reading."""
    said = messages(Instrument(QUIET, 2, Trouble(garbage=True)), 400)

    assert set(range(256)) == set(b"".join(each.words for each in said))
    assert numbers(said) == []


@pytest.mark.parametrize(
    "units,expected", [("uS/cm", b"50000.0"), ("mS/cm", b"50.0"), ("S/m", b"5.0")]
)
def test_it_speaks_the_unit_it_was_given(units: str, expected: bytes) -> None:
    """1 S/m is 10 mS/cm is 10 000 µS/cm."""
    said = messages(Instrument(replace(QUIET, units=units)), 1)[0]

    assert said.words == expected + b",24.00\r"


def test_compensation_changes_the_words_and_not_the_record() -> None:
    """2 %/°C to 25 °C divides by 0.98 at 24 °C; the raw value stays beside it."""
    said = messages(Instrument(replace(QUIET, compensation_percent_per_C=2.0)), 1)[0]

    assert said.words == b"51020.4,24.00\r"
    assert said.conductivity_mS_cm == 50.0


@pytest.mark.parametrize("fault", [{"units": "mhos"}, {"reply": "%s"}, {"reply": "%d,%q"}])
def test_an_instrument_that_cannot_speak_is_refused(fault: dict[str, str]) -> None:
    """Unknown units and unusable reply formats are errors at once, in a sentence."""
    with pytest.raises(InstrumentError, match=r"units = 'mhos'|reply = "):
        replace(Character(), **fault)  # type: ignore[arg-type]


def test_a_probe_that_was_never_in_the_water_says_so() -> None:
    """Asking before it felt anything is an error, not a reading of nothing."""
    with pytest.raises(InstrumentError, match="not been in the water"):
        Instrument().speak(0.0)


def test_time_does_not_go_back() -> None:
    """Speaking at a time before the last is an error that names both."""
    probe = Instrument()
    messages(probe, 3)

    with pytest.raises(InstrumentError, match=r"at 4\.0 s already and cannot at 1\.0 s"):
        probe.speak(1.0)
