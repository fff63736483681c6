"""Whatever is done at the bench, in whatever order, no bottle enters a batch."""

from __future__ import annotations

from functools import cache

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.entries import Entry, Kind
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.probe.quality import CALIBRATING
from daemon.mixing.station.station import Station
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, Corner, readings, records
from tests.parts.events import facts_in
from tests.parts.stories import of, phases
from tests.parts.weights import weights

VERBS = ("confirm", "next", "retry", "abort")
PLACES = {"bottle": SOLUTION_MS_CM, "wrong bottle": 12.6, "air": 0.0, "silence": None}
ABOUT_A_PROBE = {Kind.CALIBRATION, Kind.COMMAND, Kind.ALARM, Kind.DEVICE}
DOINGS = st.lists(
    st.sampled_from((*VERBS, *PLACES, "start", "check", "restart", "confirm", "confirm", "bottle")),
    max_size=25,
)


WHOLE = ["confirm", "confirm", "confirm", "bottle", "bottle", "next", "confirm", "confirm"]
"""A calibration from the first rinse to the probe's return."""


@cache
def released() -> str:
    """The kept state of a station whose batch is ready."""
    corner = Corner(gain=1.0)
    corner.batch()
    return dump(corner.station.state)


def with_a_batch() -> Corner:
    """A corner where a batch is ready."""
    corner = Corner(gain=1.0)
    state = restore(released())
    assert state is not None
    corner.station = Station(corner.settings, weights(), state)
    corner.pass_s(3000.0)
    corner.in_water(1)
    return corner


def do(corner: Corner, doing: str) -> list[Entry]:
    """Do one thing at the bench."""
    if doing in PLACES:
        return corner.feed(PLACES[doing], 2)
    if doing == "restart":
        return corner.restarted()
    facts = {"references": SOLUTION} if doing in ("start", "check") else {}
    return corner.send(f"calibrate.{doing}", **facts)


def is_out(corner: Corner) -> bool:
    """Whether the probe counts as out of the water."""
    return corner.station.state.reservoirs["mix-1"].probes["ct-1"].out_s is not None


@settings(max_examples=30)
@given(doings=DOINGS)
@example(doings=WHOLE)
@example(doings=[*WHOLE, "check", *WHOLE, "start", "confirm", "restart", "bottle"])
def test_nothing_done_at_the_bench_reaches_a_batch(doings: list[str]) -> None:
    """While the probe is out every reading is marked, and only the probe is spoken of."""
    corner = with_a_batch()
    for doing in ("start", *doings):
        out = is_out(corner)
        if not out and doing in PLACES:
            continue  # an honest person says so before the probe leaves the water
        said = do(corner, doing)
        if out and is_out(corner):
            assert all(CALIBRATING in each.tests for each in readings(said))
            assert {each.kind for each in said if not hasattr(each, "flag")} <= ABOUT_A_PROBE
    corner.send("calibrate.abort")
    corner.send("calibrate.confirm")
    corner.in_water(40)

    assert not is_out(corner)
    assert "ready" == corner.snapshot["phase"]
    saved = [each for each in of(corner.entries, Kind.CALIBRATION) if "record" in facts_in(each)]
    assert len(saved) == len(records(corner.entries))
    changed = any(facts_in(each).get("outcome", "refuse") != "refuse" for each in saved)
    assert changed == ("dissolving" in phases(corner.entries))


@settings(max_examples=30)
@given(doings=DOINGS)
@example(doings=WHOLE)
def test_the_journal_alone_brings_back_what_is_in_force(doings: list[str]) -> None:
    """After any sequence a restart from the kept state and the records reads the same salinity."""
    corner = with_a_batch()
    for doing in ("start", *doings, "abort", "confirm"):
        do(corner, doing)
    before = readings(corner.in_water(1))[-1]
    corner.restarted()
    after = readings(corner.in_water(1))[-1]

    assert before.calibration == after.calibration
    assert (before.salinity_u is None) == (after.salinity_u is None)
