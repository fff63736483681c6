"""Values of inputs that meet those of probes: which belong together, how old, what is lacking."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from daemon.entries import Instant, Sample
from daemon.probes.joined import Joining, JoiningSettings
from tests.parts.events import AT

OLDEST_S = 15.0
SETTINGS = JoiningSettings(
    oldest_s={"thermo-1": OLDEST_S, "pump-1": OLDEST_S},
    temperature_from={("mix-1", "ct-1"): "thermo-1", ("mix-2", "ct-1"): "thermo-1"},
    pump_from={"mix-1": "pump-1", "mix-2": "pump-1"},
    period_s={("mix-1", "ct-1"): 1.0, ("mix-2", "ct-1"): 1.0},
)


def at(t_s: float) -> Instant:
    """A moment so many seconds after the start."""
    return Instant(AT.wall + timedelta(seconds=t_s), 1000.0 + t_s, "boot-1")


def cell(t_s: float, value: float | None = 50.0, fault: str = "", name: str = "mix-1") -> Sample:
    """What a probe without a thermometer says."""
    return Sample(name, "ct-1", at(t_s), value, None, None, fault, "50.0")


def thermo(t_s: float, value: float | None = 20.0, fault: str = "", age_s: float = 0.0) -> Sample:
    """What the thermometer says."""
    return Sample("", "thermo-1", at(t_s), None, value, None, fault, "", 0.0, age_s)


def pump(t_s: float, *, on: bool | None, fault: str = "") -> Sample:
    """What the pump's contact says."""
    return Sample("", "pump-1", at(t_s), None, None, on, fault)


def one(found: list[Sample]) -> Sample:
    """The only one."""
    (only,) = found
    return only


def joined(*given: Sample) -> list[Sample]:
    """What a new joining makes of samples, one after the other."""
    joining = Joining(SETTINGS)
    return [whole for each in given for whole in joining.take(each)]


def test_a_conductivity_gets_the_newest_temperature_and_its_age() -> None:
    """With everything else as the probe said it."""
    found = one(joined(thermo(0.0), thermo(2.0, 20.5), cell(5.25)))

    assert replace(cell(5.25), temperature_C=20.5, temperature_age_s=3.25) == found


def test_what_names_no_input_passes_as_it_is() -> None:
    """A probe of another reservoir with a thermometer of its own, with and without settings."""
    own = replace(cell(0.0, name="mix-3"), temperature_C=21.0, pump=True)

    assert [own] == joined(own)
    assert [own] == Joining().take(own)
    assert [] == Joining().due(at(99.0))


def test_a_conductivity_that_is_old_gets_the_temperature_of_its_own_moment() -> None:
    """An instrument that took four seconds to measure is joined with four seconds ago."""
    values = [thermo(float(t_s), 20.0 + t_s) for t_s in range(11)]
    found = one(joined(*values, replace(cell(10.0), conductivity_age_s=4.0)))

    assert (26.0, 4.0, 4.0) == (
        found.temperature_C,
        found.temperature_age_s,
        found.conductivity_age_s,
    )


def test_a_temperature_that_says_how_old_it_is_is_as_much_older() -> None:
    """What a node measured before it published."""
    assert 5.5 == one(joined(thermo(2.0, age_s=3.5), cell(4.0))).temperature_age_s


def test_a_slow_thermometer_and_a_fast_cell_age_between_two_values() -> None:
    """And the other way round the age stays below the thermometer's period."""
    fast = [cell(float(t_s)) for t_s in range(1, 25)]
    slow = {float(t_s): thermo(float(t_s)) for t_s in range(0, 25, 12)}
    joining, ages = Joining(SETTINGS), []
    for each in fast:
        joining.take(slow.get(each.at.mono_s - 1000.0, cell(-1.0, name="mix-3")))
        if each.at.mono_s == 1001.0:
            joining.take(slow[0.0])
        ages += [found.temperature_age_s for found in joining.take(each)]

    assert [*map(float, [*range(1, 12), *range(12), 0])] == ages


def test_one_input_serves_probes_of_several_reservoirs() -> None:
    """Each with the age at its own moment."""
    found = joined(thermo(0.0), pump(0.0, on=True), cell(1.0), cell(2.0, name="mix-2"))

    assert [("mix-1", 20.0, 1.0, True), ("mix-2", 20.0, 2.0, True)] == [
        (each.reservoir, each.temperature_C, each.temperature_age_s, each.pump) for each in found
    ]


def test_a_conductivity_waits_for_the_first_word_of_its_thermometer() -> None:
    """The newest one, and it is as much older when that comes."""
    found = one(joined(cell(0.0, 49.0), cell(1.0, 50.0), thermo(1.75)))

    assert (50.0, 0.75) == (found.conductivity_mS_cm, found.conductivity_age_s)
    assert (20.0, 0.0, at(1.75)) == (found.temperature_C, found.temperature_age_s, found.at)


def test_a_thermometer_that_never_speaks_is_a_fault_soon_after_the_start() -> None:
    """Without a next conductivity, which may be a minute away; ready needs the first word."""
    joining = Joining(SETTINGS)

    assert [] == joining.take(cell(0.0))
    assert [] == joining.due(at(OLDEST_S - 0.5))
    found = one(joining.due(at(OLDEST_S)))
    assert (50.0, None, OLDEST_S) == (
        found.conductivity_mS_cm,
        found.temperature_C,
        found.conductivity_age_s,
    )
    assert "input thermo-1 has given no temperature yet: it says nothing; check" in found.fault
    assert [] == joining.due(at(OLDEST_S + 1.0))


def test_a_thermometer_that_begins_with_a_fault_is_told_at_once() -> None:
    """In its own words."""
    joining = Joining(SETTINGS)
    joining.take(cell(0.0))
    found = one(joining.take(thermo(0.5, None, "no such sensor; check the wiring")))

    assert "input thermo-1 has given no temperature yet: no such sensor; check the wiring" == (
        found.fault
    )


def test_a_thermometer_that_starts_later_ends_the_fault() -> None:
    """As soon as it has said something."""
    joining = Joining(SETTINGS)
    joining.take(cell(0.0))
    faults = joining.due(at(OLDEST_S)) + joining.take(cell(60.0))
    joining.take(thermo(60.5))
    found = one(joining.take(cell(61.0)))

    assert [True, True] == [bool(each.fault) for each in faults]
    assert ("", 20.0, 0.5) == (found.fault, found.temperature_C, found.temperature_age_s)


def test_a_thermometer_that_stops_is_a_fault_that_says_what_it_said_last() -> None:
    """Until the limit its last value counts, and the age tells."""
    joining = Joining(SETTINGS)
    joining.take(thermo(0.0, 24.314))
    young = one(joining.take(cell(15.0)))
    old = one(joining.take(cell(15.5)))

    assert ("", 24.314, 15.0) == (young.fault, young.temperature_C, young.temperature_age_s)
    assert (None, 0.0, 50.0) == (
        old.temperature_C,
        old.temperature_age_s,
        old.conductivity_mS_cm,
    )
    assert (
        "input thermo-1 has given no temperature for more than 15 s, the last was 24.31 °C:"
        " it says nothing; check its power and its cable"
    ) == old.fault
    assert "" == old.spoken


def test_a_fault_of_the_thermometer_makes_its_last_value_no_younger_and_no_older() -> None:
    """One reply that was lost is nothing; when the limit has passed the fault is named."""
    joining = Joining(SETTINGS)
    joining.take(thermo(0.0))
    joining.take(thermo(2.0, None, "no reply on /dev/ttyUSB1 within 2 s"))
    found = one(joining.take(cell(3.0)))
    joining.take(thermo(16.0, None, "no reply on /dev/ttyUSB1 within 2 s"))
    late = one(joining.take(cell(17.0)))

    assert ("", 3.0) == (found.fault, found.temperature_age_s)
    assert late.fault.endswith("the last was 20.00 °C: no reply on /dev/ttyUSB1 within 2 s")


def test_a_thermometer_that_comes_back_is_read_again() -> None:
    """And what it said before it went does not count any more."""
    joining = Joining(SETTINGS)
    for t_s in range(10):
        joining.take(thermo(float(t_s), 20.0))
    assert one(joining.take(cell(100.0))).fault
    joining.take(thermo(105.0, 26.0))
    found = one(joining.take(cell(106.0)))

    assert ("", 26.0, 1.0) == (found.fault, found.temperature_C, found.temperature_age_s)


def test_a_sensor_that_was_exchanged_jumps_and_is_followed_at_once() -> None:
    """Nothing is drawn on from the one before."""
    values = [thermo(float(t_s), 20.0 + 0.1 * t_s) for t_s in range(10)]
    found = joined(*values, thermo(10.0, 28.0), cell(10.5), thermo(11.0, 28.0), cell(14.0))

    assert [28.0, 28.0] == [each.temperature_C for each in found]


def test_both_faults_stand_in_one_sentence() -> None:
    """The probe's own first; of what its thermometer lacks nothing is lost."""
    joining = Joining(SETTINGS)
    joining.take(thermo(0.0, None, "CRC of the sensor does not fit; check the cable"))
    found = one(joining.take(cell(1.0, None, "no reply on /dev/ttyUSB0 within 2 s")))

    assert (
        "no reply on /dev/ttyUSB0 within 2 s; and input thermo-1 has given no temperature yet:"
        " CRC of the sensor does not fit; check the cable"
    ) == found.fault
    assert "50.0" == found.spoken


def test_a_fault_of_the_probe_alone_stays_its_own() -> None:
    """With the temperature that there is, for the record."""
    found = one(joined(thermo(0.0), cell(1.0, None, "no reply")))

    assert ("no reply", 20.0, None) == (
        found.fault,
        found.temperature_C,
        found.conductivity_mS_cm,
    )


def test_a_night_without_a_thermometer_fills_no_card() -> None:
    """One fault each five seconds, as of a probe that is away."""
    joining = Joining(SETTINGS)
    joining.take(thermo(0.0))
    found = [whole for t_s in range(16, 116) for whole in joining.take(cell(float(t_s)))]

    assert 20 == len(found)
    assert all(each.fault for each in found)


@pytest.mark.parametrize("on", [True, False])
def test_a_pump_goes_to_every_sample_until_its_input_is_silent(*, on: bool) -> None:
    """After that nobody knows; it is never taken to stand."""
    joining = Joining(SETTINGS)
    joining.take(thermo(0.0))
    before = one(joining.take(cell(0.5))).pump
    joining.take(pump(1.0, on=on))
    joining.take(pump(3.0, on=None, fault="no permission for /dev/gpiochip0"))
    states = []
    for t_s in (2.0, 16.0, 16.5, 30.0):
        joining.take(thermo(t_s))
        states.append(one(joining.take(cell(t_s))).pump)
    joining.take(pump(31.0, on=on))

    assert before is None
    assert [on, on, None, None] == states
    assert on == one(joining.take(cell(31.0))).pump


def test_a_named_pump_counts_and_not_what_the_probe_says_of_one() -> None:
    """The owner named where to look."""
    own = replace(cell(1.0), pump=True)

    assert one(joined(thermo(0.0), own)).pump is None
    assert one(joined(thermo(0.0), pump(0.0, on=False), own)).pump is False


def test_an_input_that_failed_costs_a_probe_of_another_nothing() -> None:
    """A pump that is silent is no fault of a reading."""
    found = one(joined(thermo(0.0), pump(0.0, on=None, fault="gone"), cell(0.5)))

    assert ("", None) == (found.fault, found.pump)
