"""The judge of the campaign `tests/campaigns/hands` counts what is wrong, and nothing else."""

from __future__ import annotations

from daemon.entries import JSON, Kind
from daemon.mixing.batch.lifecycle import BatchSettings
from tests.campaigns.hands.judge import Judge, Scene
from tests.campaigns.hands.marks import Marks
from tests.campaigns.hands.tables import missed, table
from tests.campaigns.hands.truth import Refill
from tests.parts.events import event

FIRST, SECOND = "mix-1-20260302-1", "mix-1-20260302-2"


def at(hours: float, *, in_water: bool = True, away_h: float = 0.0) -> Scene:
    """The scene so many hours after the start, with hands at rest."""
    return Scene(3600.0 * hours, in_water, None if in_water else 3600.0 * away_h, True, 1e6)


def began(judge: Judge, batch: str, scene: Scene) -> None:
    """Give the judge the beginning of a batch."""
    judge.on_event(event(Kind.BATCH, {"what": "began", "salinity": 0.0}, batch=batch), scene)


def ended(judge: Judge, batch: str, scene: Scene, how: str = "used") -> None:
    """Give the judge the end of a batch."""
    facts: dict[str, JSON] = {"what": "ended", "how": how, "by": "seen refilled"}
    judge.on_event(event(Kind.BATCH, facts, batch=batch), scene)


def ready(judge: Judge, batch: str, scene: Scene) -> None:
    """Give the judge a release."""
    judge.on_event(event(Kind.PHASE, {"from": "verifying", "to": "ready"}, batch=batch), scene)


def shown(**members: JSON) -> dict[str, JSON]:
    """A snapshot of the first batch, released at 34 with nothing wrong, but for these members."""
    usual: dict[str, JSON] = {
        "batch": FIRST,
        "phase": "ready",
        "age_h": None,
        "alarms": [],
        "salinity": 34.0,
        "salinity_u": 0.1,
    }
    return usual | members


def with_batch() -> Judge:
    """A judge of one water whose batch began at once and was released after an hour."""
    judge = Judge(BatchSettings())
    judge.truth.prepare(0.0).salted_s = 600.0
    began(judge, FIRST, at(0.1))
    ready(judge, FIRST, at(1.0))
    return judge


def test_a_batch_that_goes_with_its_water_is_no_fault() -> None:
    """Begun once, released in the water, ended as used after the water was taken away."""
    judge = with_batch()
    judge.truth.take_away(7200.0, by_word=False)
    ended(judge, FIRST, at(2.1))
    judge.close(at(3.0))

    assert [] == judge.marks.faults
    assert (1, 1) == (judge.marks.kept, judge.marks.books)


def test_the_end_of_a_batch_whose_water_is_there_is_wrong() -> None:
    """Unless the keeper ends it."""
    judge, by_keeper = with_batch(), with_batch()
    ended(judge, FIRST, at(2.0))
    by_keeper.by_keeper = True
    ended(by_keeper, FIRST, at(2.0))

    assert (1, 0) == (judge.marks.ended, by_keeper.marks.ended)


def test_a_second_batch_of_the_same_water_is_wrong_and_so_is_one_of_no_water() -> None:
    """Also after the water has gone and before other water comes; but not of other water."""
    judge = with_batch()
    began(judge, SECOND, at(2.0))
    judge.truth.take_away(3.0 * 3600.0, by_word=False)
    began(judge, "mix-1-20260302-3", at(4.0))
    judge.truth.prepare(5.0 * 3600.0)
    began(judge, "mix-1-20260302-4", at(5.1))

    assert 2 == judge.marks.started


def test_a_release_is_wrong_while_the_probe_is_away_or_the_water_is_another() -> None:
    """A release within a minute of lifting the probe is of the readings before."""
    judge = with_batch()
    ready(judge, FIRST, at(2.001, in_water=False, away_h=2.0))
    assert 0 == judge.marks.released

    ready(judge, FIRST, at(2.5, in_water=False, away_h=2.0))
    judge.truth.prepare(3.0 * 3600.0)
    ready(judge, FIRST, at(3.5))

    assert 2 == judge.marks.released


def test_an_age_that_is_less_than_the_water_s_is_reset() -> None:
    """Counted once for each water; an age that is as it should be, or not said, is none."""
    judge = with_batch()
    for age_h in (1.0, None, 0.95):
        judge.look(shown(age_h=age_h), at(2.0))
    assert 0 == judge.marks.aged

    judge.look(shown(age_h=0.5), at(3.0))
    judge.look(shown(age_h=0.6), at(3.1))

    assert 1 == judge.marks.aged


def test_water_that_is_ready_beyond_its_use_by_counts_as_reset() -> None:
    """Whatever age is shown."""
    judge = with_batch()
    judge.look(shown(), at(24.9))
    assert 0 == judge.marks.aged

    judge.look(shown(), at(25.5))

    assert 1 == judge.marks.aged


def test_ready_while_it_reads_outside_counts_once_it_lasts() -> None:
    """Not for a quarter of an hour, not within what the reading is worth, not with probe away."""
    judge = with_batch()
    for hours in (2.0, 2.1, 2.2, 2.3):
        judge.look(shown(salinity=35.15), at(hours))
        judge.look(shown(salinity=36.0), at(hours + 0.01, in_water=False))
    judge.look(shown(salinity=35.3), at(3.0))
    judge.look(shown(salinity=35.3), at(3.2))
    assert 0 == judge.marks.outside

    judge.look(shown(salinity=35.3), at(3.3))

    assert (1, 0) == (judge.marks.outside, judge.marks.dropped)


def test_a_probe_that_is_away_must_be_asked_about_and_nothing_be_ready() -> None:
    """Within a quarter of an hour, once for each time that it is away."""
    judge, quiet, still_ready = with_batch(), with_batch(), with_batch()
    question: dict[str, JSON] = {"text": "is the probe out of the water?"}
    for each, phase, asked in (
        (judge, "verifying", True),
        (quiet, "verifying", False),
        (still_ready, "ready", True),
    ):
        for hours in (2.1, 2.2, 2.3, 2.4):
            snapshot = shown(phase=phase, question=question if asked else None)
            each.look(snapshot, at(hours, in_water=False, away_h=2.0))

    assert [(1, 1), (0, 1), (0, 1)] == [
        (each.marks.withheld, each.marks.aways) for each in (judge, quiet, still_ready)
    ]


def test_an_off_target_alarm_must_stand_while_it_reads_outside() -> None:
    """Once it was raised; it may go when the water is inside."""
    judge = with_batch()
    out = shown(phase="dissolving", salinity=36.0)
    judge.look(out, at(2.0))
    judge.look(out, at(2.5))
    judge.look(shown(phase="off_target", salinity=36.0, alarms=["batch-off-target"]), at(3.0))
    judge.look(shown(phase="dissolving", salinity=34.5), at(4.0))
    assert 0 == judge.marks.dropped

    judge.look(out, at(5.0))
    judge.look(out, at(5.5))

    assert 1 == judge.marks.dropped


def a_refill(judge: Judge, *, gradual: bool = False) -> None:
    """Replace the water: drained from 2 h on, filled at 3 h, salted at 4 h."""
    old = judge.truth.current
    assert old is not None
    judge.truth.take_away(2.0 * 3600.0, by_word=False)
    new = judge.truth.prepare(2.5 * 3600.0)
    judge.truth.refills.append(
        Refill(old, new, 2.0 * 3600.0, gradual, rest_s=3.0 * 3600.0, salt_s=4.0 * 3600.0)
    )


def test_a_refill_is_noticed_in_time_and_asked_about_before() -> None:
    """Within half an hour of the salt; a question that came after the end does not count."""
    judge, late, unasked = with_batch(), with_batch(), with_batch()
    for each, ended_h, asked_h in ((judge, 4.4, 3.2), (late, 4.6, 3.2), (unasked, 4.4, 4.5)):
        a_refill(each)
        for hours, what in sorted([(ended_h, ended), (asked_h, None)], key=lambda one: one[0]):
            if what is None:
                each.look(shown(question={"text": "is the probe out of the water?"}), at(hours))
            else:
                ended(each, FIRST, at(hours))
        each.close(at(6.0))

    assert (1, 1) == (judge.marks.noticed, judge.marks.asked)
    assert (0, 1) == (late.marks.noticed, late.marks.asked)
    assert (1, 0) == (unasked.marks.noticed, unasked.marks.asked)


def test_a_refill_that_could_be_followed_is_due_when_it_rests() -> None:
    """The probe was in the water all the while: nothing need be asked, and then not waited for."""
    judge, late, asked = with_batch(), with_batch(), with_batch()
    for each, ended_h in ((judge, 3.4), (late, 3.6), (asked, 4.4)):
        a_refill(each, gradual=True)
        if each is asked:
            each.look(shown(question={"text": "was the vessel refilled?"}), at(3.1))
        ended(each, FIRST, at(ended_h))
        each.close(at(6.0))

    assert [1, 0, 1] == [each.marks.noticed for each in (judge, late, asked)]
    assert 0 == judge.marks.askable


def test_books_that_say_otherwise_than_the_water_went_are_wrong() -> None:
    """Released water is used; an end must be said at all; and salted water has a batch."""
    wrong, open_, none = with_batch(), with_batch(), Judge(BatchSettings())
    none.truth.prepare(0.0).salted_s = 600.0
    for each in (wrong, open_, none):
        each.truth.take_away(2.0 * 3600.0, by_word=False)
    ended(wrong, FIRST, at(2.1), "discarded")
    for each in (wrong, open_, none):
        each.close(at(3.0))

    assert [(0, 1)] * 3 == [(each.marks.kept, each.marks.books) for each in (wrong, open_, none)]


def test_each_limit_that_is_not_kept_is_named() -> None:
    """A good table misses none; one fault in a row of zeros, or one in fifty too many, does."""
    good = Marks(stories=100, refills=100, noticed=99, ordinary=100, needless=2, books=9, kept=9)
    bad = Marks(stories=100, ended=1, refills=100, noticed=98, ordinary=100, needless=3)

    assert [] == missed({"good": good})
    assert 3 == len(missed({"bad": bad}))
    assert "98/100" in table({"bad": bad})
