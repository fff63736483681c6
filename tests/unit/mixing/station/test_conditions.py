"""What needs a person: impure water, a batch that ages, a start that was missed."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import gsw
import pytest

from daemon.entries import Event, Kind, Phase
from daemon.mixing.batch.batch_state import Age, BatchSettings, BatchState, Judgement, SaltAddition
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.batch.lots import Lot
from daemon.mixing.seawater.dosing import plan
from daemon.mixing.stability.level import Level
from daemon.mixing.station.conditions import of_batch, of_mixing
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, a_bench, advice
from tests.parts.stories import BATCH, Story, alarms, minutes_between, mixed, number, of, phases
from tests.parts.weights import weights

HOUR_S = 3600.0


# --- purified water -----------------------------------------------------------------------------


def pours(story: Story, conductivity_uS_cm: float, minutes: float) -> Story:
    """Fresh water of this conductivity at 25 °C stands in the vessel, by gsw, at 24 °C."""
    salinity = float(gsw.SP_from_C(conductivity_uS_cm / 1000.0, 25.0, 0.0))
    raw = float(gsw.C_from_SP(salinity, 24.0, 0.0))
    for _ in range(round(minutes * 60.0 / story.period_s)):
        story.say(round(raw + story.dice.gauss(0.0, 2e-4), 5), 24.0)
    return story


def standing(conductivity_uS_cm: float, minutes: float = 10.0) -> Bench:
    """A bench beside purified water of this conductivity at 25 °C."""
    bench = Bench(pours(Story(), conductivity_uS_cm, minutes))
    bench.run()
    return bench


@pytest.mark.parametrize("conductivity_uS_cm, pure", [(5, True), (25, True), (40, False)])
def test_water_is_judged_at_25_degrees_before_any_salt(
    conductivity_uS_cm: float, *, pure: bool
) -> None:
    """40 µS/cm at 25 °C are said to be so though the probe reads less at 24 °C."""
    bench = standing(conductivity_uS_cm)

    assert Phase.BLANK == bench.phase
    assert pure == ("" == bench.advice)
    assert pure == ("blank-impure" not in bench.alarms)
    if not pure:
        found = re.search(r"reads (\d+) µS/cm at 25 °C before any salt, more than 30", bench.advice)
        assert found is not None
        assert conductivity_uS_cm == pytest.approx(float(found[1]), abs=1.0)
        (told,) = of(bench.entries, Kind.ADVICE)
        assert conductivity_uS_cm == pytest.approx(number(told, "uS_cm"), abs=1.0)


def test_the_alarm_comes_after_its_delay_and_goes_with_the_water() -> None:
    """A minute of it raises, and a minute of pure water after a new filling clears."""
    bench = standing(60)
    (raised,) = of(bench.entries, Kind.ALARM)
    (told,) = of(bench.entries, Kind.ADVICE)
    assert 1.0 <= minutes_between(told, raised) < 1.2
    pours(bench.story, 8, 15)
    said = bench.run()

    assert [("blank-impure", "cleared")] == alarms(said)
    assert "the purified water is pure now" in advice(said)
    assert ("", Phase.BLANK) == (bench.advice, bench.phase)


def test_the_alarm_ends_when_salt_goes_in_all_the_same() -> None:
    """From then on it is no purified water any more."""
    bench = standing(60)
    bench.story.dissolve(34.0, 5)

    assert ("blank-impure", "cleared") in alarms(bench.run())


def test_the_limit_is_that_of_the_configuration() -> None:
    """An owner with worse water may allow it."""
    bench = a_bench(replace(BATCH, purified_max_uS_cm=100.0), pours(Story(), 60, 10))
    bench.run()

    assert set() == bench.alarms


def test_a_heel_is_not_impure_water() -> None:
    """Water left on purpose, thinned to a seventh, is salt water and known to be."""
    bench = Bench(Story(salinity=34.0).still(4).dissolve(5.0, 15, 60.0))
    bench.run()

    assert Phase.BLANK == bench.phase
    assert (set(), []) == (bench.alarms, of(bench.entries, Kind.ADVICE))


def test_water_that_still_runs_in_is_not_called_impure() -> None:
    """A vessel rinsed through passes 100 µS/cm on its way down."""
    bench = Bench(Story(salinity=0.7).still(0.5).dissolve(0.005, 25, 60.0))
    said = bench.run()

    assert "blank" == bench.phase
    assert [] == [text for text in advice(said) if "µS/cm" in text]
    assert "blank-impure" not in bench.alarms


@pytest.mark.parametrize("conductivity", [0.0, -0.004, -0.05])
def test_zero_and_less_are_as_pure_as_can_be(conductivity: float) -> None:
    """A probe whose zero is a little low harms nothing."""
    story = Story()
    for _ in range(120):
        story.say(conductivity + story.dice.gauss(0.0, 1e-4), 24.0)
    bench = Bench(story)
    bench.run()

    assert "blank-impure" not in bench.alarms
    assert "" == bench.advice


# --- after release ------------------------------------------------------------------------------


def ready(hours: float) -> tuple[BatchState, float]:
    """A batch released so many hours ago, and the time now."""
    state = BatchState(
        Phase.READY,
        "b",
        judgement=Judgement(salinity=34.0, salinity_u=0.1),
        age=Age(released_s=100.0),
    )
    return state, 100.0 + hours * HOUR_S


@pytest.mark.parametrize(
    "use_within_h, warn_before_h, hours, ageing",
    [
        (24.0, 4.0, 19.9, False),
        (24.0, 4.0, 20.1, True),
        (24.0, 12.0, 11.9, False),
        (24.0, 12.0, 12.1, True),
        (3.0, 4.0, 2.4, False),  # all of its hours would be warning: the last sixth is
        (3.0, 4.0, 2.6, True),
        (24.0, 0.0, 23.9, False),
    ],
)
def test_a_batch_is_ageing_so_long_before_it_is_stale(
    use_within_h: float, warn_before_h: float, hours: float, *, ageing: bool
) -> None:
    """As the owner wants it warned of."""
    settings = BatchSettings(use_within_h=use_within_h, warn_before_h=warn_before_h)
    state, now_s = ready(hours)

    assert ageing == ("batch-ageing" in of_batch(state, now_s, settings, {}))


def test_ageing_is_raised_before_stale_and_gives_way_to_it() -> None:
    """One after the other, in the order of the hours."""
    settings = replace(BATCH, use_within_h=2.0, warn_before_h=1.0)
    entries = mixed(minutes=200).play(settings=settings)

    assert [
        ("batch-ageing", "raised"),
        ("batch-ageing", "cleared"),
        ("batch-stale", "raised"),
    ] == alarms(entries)


def test_standing_water_is_to_be_mixed_once_a_day() -> None:
    """Three days after release it has been said twice: after one day, and after two."""
    settings = replace(BATCH, use_within_h=100.0)
    bench = a_bench(settings, Story(period_s=10.0).still(6).dissolve(34.0, 90).still(3 * 1440 - 80))
    bench.run()
    remix = [text for text in advice(bench.entries) if "run the pump" in text]

    assert ["released 24 h ago", "released 48 h ago"] == [text[:17] for text in remix]
    assert "ready" == bench.phase


def test_drawing_off_and_refilling_ends_a_batch_that_nobody_ended() -> None:
    """Seen by the salt that follows, and called used because it had been released."""
    bench = a_batch()
    bench.story.refilled().dissolve(34.0, 4)
    (ended,) = (e for e in of(bench.run(), Kind.BATCH) if facts_in(e)["what"] == "ended")

    assert ("used", "seen refilled") == (facts_in(ended)["how"], facts_in(ended)["by"])


# --- stock --------------------------------------------------------------------------------------


@pytest.mark.parametrize("left_g, low", [(7000.0, True), (7500.0, False), (None, False)])
def test_a_lot_is_low_when_the_next_batch_needs_more(left_g: float | None, *, low: bool) -> None:
    """About 7.2 kg for 180 L at 34; a lot of unknown mass is never low."""
    state = BatchState(Phase.DISSOLVING, "b", lot="blue")
    found = of_batch(state, 0.0, BATCH, {"blue": Lot("blue", left_g=left_g)})

    assert low == ("salt-low" in found)


def test_what_a_batch_needs_follows_the_yield_of_its_lot() -> None:
    """Salt of a label yield of 0.80 needs about a tenth more."""
    state = BatchState(Phase.DISSOLVING, "b", lot="blue")
    weak = Lot("blue", left_g=7500.0, label_yield=0.8)
    needed = f"a batch needs {plan(180.0, 34.0, 0.8).salt_g:.0f} g"

    assert needed in of_batch(state, 0.0, BATCH, {"blue": weak})["salt-low"]


def test_another_lot_is_nobodys_business() -> None:
    """Only the lot that was used last is watched."""
    state = BatchState(salt=SaltAddition(100.0, 180.0, 0.0, 0.88, 0.01), lot="green")

    assert {} == of_batch(state, 0.0, BATCH, {"blue": Lot("blue", left_g=0.0)})


# --- due ----------------------------------------------------------------------------------------

DUE = DueBatch(weekday=None, hour=12, minute=0, volume_l=60.0)


def a_due_bench(story: Story) -> Bench:
    """A bench at which 60 L are wanted at noon every day; the stories begin at eight."""
    settings = {"mix-1": ReservoirSettings("mix-1", BATCH, due=(DUE,))}
    return Bench(story, Station(settings, weights()))


def test_a_missed_start_is_raised_when_it_is_missed_and_cleared_by_a_start() -> None:
    """Nothing is known of mixing yet: 30 minutes and a margin of 15 before noon."""
    bench = a_due_bench(Story(period_s=10.0).still(190))
    bench.run()
    assert ("2026-03-02T11:15:00.000Z", set()) == (bench.snapshot["start_by"], bench.alarms)
    bench.story.still(10)
    (raised,) = of(bench.run(), Kind.ALARM)
    assert "start-missed" == facts_in(raised)["name"]
    assert (
        timedelta(0)
        <= raised.at.wall - raised.at.wall.replace(hour=11, minute=15)
        < timedelta(seconds=20)
    )
    bench.story.dissolve(34.0, 5)

    assert [("start-missed", "cleared")] == alarms(bench.run())


def test_a_batch_that_is_ready_and_will_not_be_stale_is_enough() -> None:
    """Mixed in the morning for noon: nothing was missed."""
    bench = a_due_bench(mixed(minutes=210))
    bench.run()

    assert ("ready", set()) == (bench.phase, bench.alarms)


@pytest.mark.parametrize("how", ["batch.use", "batch.discard", "refilled"])
def test_a_batch_that_is_gone_is_not_there_at_noon(how: str) -> None:
    """Used, discarded or poured away before it was wanted, another must be begun."""
    bench = a_due_bench(Story(period_s=10.0).still(6).dissolve(34.0, 90))
    bench.run()
    assert "ready" == bench.phase
    if how == "refilled":
        bench.story.refilled()
        bench.run()
        bench.answer("batch.answer", answer="refilled")
    else:
        bench.answer(how)
    bench.story.still(125)
    bench.run()

    assert {"start-missed"} == bench.alarms


@pytest.mark.parametrize(
    "minutes, per_min, late",
    [(29, 0.05, False), (31, 0.05, True), (31, -0.05, True), (31, 0.0, False), (76, 0.0, True)],
)
def test_mixing_is_late_once_it_should_be_over_or_proven(
    minutes: int,
    per_min: float,
    late: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """What plainly moves is late after its time, what is calm when it takes long to be proven."""
    state = BatchState(Phase.DISSOLVING, "b", dissolving_since_s=0.0)
    level = Level(
        times_s=[60.0 * minutes - 10.0 * back for back in range(30, 0, -1)],
        medians=[34.0 - per_min * back / 6.0 for back in range(30, 0, -1)],
    )

    assert late == bool(of_mixing(state, level, minutes * 60.0, BATCH, active=False))


def test_mixing_that_was_late_is_late_until_it_is_over() -> None:
    """However calm it looks meanwhile."""
    state, calm = BatchState(Phase.DISSOLVING, "b", dissolving_since_s=0.0), Level()

    assert of_mixing(state, calm, 40 * 60.0, BATCH, active=True)
    assert not of_mixing(replace(state, phase=Phase.VERIFYING), calm, 2400.0, BATCH, active=True)


def test_a_bubble_is_no_motion() -> None:
    """It lowers some bins and moves no water."""
    state = BatchState(Phase.DISSOLVING, "b", dissolving_since_s=0.0)
    medians = [34.0] * 27 + [29.0] * 3
    level = Level(times_s=[10.0 * bin_ for bin_ in range(30)], medians=medians)

    assert {} == of_mixing(state, level, 40 * 60.0, BATCH, active=False)


def test_salt_that_is_recorded_is_not_taken_for_impurity() -> None:
    """Pure before, it creeps up from the bottom while the pump is off: that is the salt."""
    bench = a_bench(story=Story().still(5))
    bench.run()
    bench.answer("batch.start", mass_g=7241.0, volume_l=180.0)
    bench.story.ramp(10, 0.05).still(15)
    bench.run()

    assert "blank" == bench.phase
    assert "blank-impure" not in bench.alarms


def test_no_event_is_without_its_batch() -> None:
    """What is alarmed of belongs to the batch that it is about."""
    events = [each for each in standing(60).entries if isinstance(each, Event)]

    assert {"mix-1-20260302-1"} == {event.batch for event in events}
    assert ["blank"] == phases([*events])
