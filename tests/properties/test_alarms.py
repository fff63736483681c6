"""Alarms, whatever their conditions do and whatever people do to them."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from daemon.journal.checkpoint import dump, restore
from daemon.mixing.alarm import transitions
from daemon.mixing.alarm.alarm_state import (
    ACTIVE_STATES,
    UNACKNOWLEDGED_STATES,
    AlarmChange,
    AlarmState,
    AlarmStatus,
    LifecycleState,
    Transition,
)
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.transitions import LONGEST_SHELF_S, advance
from daemon.mixing.station.station_state import ReservoirState, StationState

NAMES = (
    *("mixing-overdue", "probe-fault", "reading-overdue"),
    *("temperature-out-of-band", "batch-stale", "calibration-due"),
)
"""With delays and without, with causes and without, suppressed by design and never."""

conditions = st.dictionaries(st.sampled_from(list(CATALOGUE)), st.just("why"))
course = st.lists(st.tuples(st.floats(0, 400), conditions), max_size=40)


@given(course)
def test_no_alarm_comes_before_its_condition_has_lasted(
    given_course: list[tuple[float, dict[str, str]]],
) -> None:
    """It is raised only when every input of its on-delay showed the condition."""
    state, t_s = AlarmState(), 0.0
    since: dict[str, float] = {}
    for step_s, holding in given_course:
        t_s += step_s
        since = {name: since.get(name, t_s) for name in holding}
        for change in advance(state, holding, t_s):
            if change.transition is Transition.RAISED:
                assert t_s - since[change.name] >= CATALOGUE[change.name].on_delay_s


class Shift(RuleBasedStateMachine):
    """A shift of readings, people and restarts; the model knows only conditions and acts."""

    def __init__(self) -> None:
        """Begin with nothing wrong and nothing done."""
        super().__init__()
        self.state = AlarmState()
        self.t_s = 0.0
        self.holding: dict[str, str] = {}
        self.circumstances: list[str] = []
        self.there_since: dict[str, float] = {}
        self.gone_since: dict[str, float] = {}
        self.due: set[str] = set()
        self.shelf: dict[str, float] = {}
        self.out: set[str] = set()
        self.acknowledged_names: set[str] = set()
        self.unacknowledged_names: set[str] = set()
        self.last_states: dict[str, LifecycleState] = {}

    def life(self, name: str) -> LifecycleState:
        """Where an alarm stands."""
        return self.state.known.get(name, AlarmStatus()).state

    # --- what happens ---------------------------------------------------------------------------

    @rule(
        holding=st.sets(st.sampled_from(NAMES)),
        circumstances=st.sets(st.sampled_from(["idle", "dissolving", "calibrating"])),
        step_s=st.sampled_from([1.0, 20.0, 45.0, 150.0, 400.0, 3600.0, 30_000.0]),
    )
    def something_changes(self, holding: set[str], circumstances: set[str], step_s: float) -> None:
        """Another reading shows another state of things."""
        self.holding = dict.fromkeys(holding, "why")
        self.circumstances = sorted(circumstances)
        self.goes_on(step_s)

    @rule(step_s=st.sampled_from([5.0, 61.0, 301.0, 3600.0]))
    def goes_on(self, step_s: float) -> None:
        """Another reading shows the same; the model works out which conditions have lasted."""
        self.t_s += step_s
        for name in NAMES:
            if name in self.holding:
                self.gone_since.pop(name, None)
                since_s = self.there_since.setdefault(name, self.t_s)
                if self.t_s - since_s >= CATALOGUE[name].on_delay_s:
                    self.due.add(name)
            else:
                self.there_since.pop(name, None)
                since_s = self.gone_since.setdefault(name, self.t_s)
                if self.t_s - since_s >= CATALOGUE[name].off_delay_s:
                    self.due.discard(name)
                    self.acknowledged_names.discard(name)
        for change in advance(self.state, self.holding, self.t_s, circumstances=self.circumstances):
            if change.state is not LifecycleState.ACKNOWLEDGED:
                self.acknowledged_names.discard(change.name)
            self.record_change(change)

    @rule()
    def restarts(self) -> None:
        """The state goes through the journal and comes back as it was."""
        kept = StationState(reservoirs={"mix-1": ReservoirState(alarms=self.state)})
        back = restore(dump(kept))
        assert back is not None
        assert kept == back
        self.state = back.reservoirs["mix-1"].alarms

    # --- what people do -------------------------------------------------------------------------

    @rule(name=st.sampled_from(NAMES))
    def acknowledged(self, name: str) -> None:
        """A person acknowledges; it is refused where nothing waits for it."""
        waits = self.life(name) in (
            LifecycleState.UNACKNOWLEDGED,
            LifecycleState.RETURNED_UNACKNOWLEDGED,
        )
        try:
            change = transitions.acknowledge(self.state, name, "kim", self.t_s)
        except ValueError:
            assert not waits
        else:
            assert waits
            self.record_change(change)
            self.acknowledged_names.add(name)

    @rule(name=st.sampled_from(NAMES), for_s=st.floats(60.0, LONGEST_SHELF_S))
    def shelved(self, name: str, for_s: float) -> None:
        """A person shelves; it is refused where it is shelved or out of service."""
        away = name in self.shelf or name in self.out
        try:
            change = transitions.shelve(self.state, name, "kim", "known", for_s, self.t_s)
        except ValueError:
            assert away
        else:
            assert not away
            self.record_change(change)
            self.shelf[name] = self.t_s + for_s

    @precondition(lambda self: self.shelf)
    @rule(data=st.data())
    def unshelved(self, data: st.DataObject) -> None:
        """A person unshelves an alarm."""
        name = data.draw(st.sampled_from(sorted(self.shelf)))
        del self.shelf[name]
        self.record_change(transitions.unshelve(self.state, name, "kim", self.t_s))

    @rule(name=st.sampled_from(NAMES))
    def removed(self, name: str) -> None:
        """A person removes an alarm from service."""
        if name not in self.out:
            change = transitions.remove_from_service(
                self.state, name, "kim", "being rebuilt", self.t_s
            )
            self.record_change(change)
            self.out.add(name)
            self.shelf.pop(name, None)

    @precondition(lambda self: self.out)
    @rule(data=st.data())
    def returned(self, data: st.DataObject) -> None:
        """A person returns an alarm to service."""
        name = data.draw(st.sampled_from(sorted(self.out)))
        self.out.discard(name)
        self.record_change(transitions.return_to_service(self.state, name, "kim", self.t_s))

    def record_change(self, change: AlarmChange) -> None:
        """What was announced waits for a person until it is seen or withheld, even when it goes."""
        self.last_states[change.name] = change.state
        if change.state is LifecycleState.UNACKNOWLEDGED:
            self.unacknowledged_names.add(change.name)
        elif (
            change.transition is not Transition.CLEARED
            and change.transition is not Transition.REPEATING
        ):
            self.unacknowledged_names.discard(change.name)

    # --- what must be so ------------------------------------------------------------------------

    def forget_ended_shelves(self) -> None:
        """A shelf whose time was over at the last reading is none."""
        self.shelf = {name: end_s for name, end_s in self.shelf.items() if end_s > self.t_s}

    @invariant()
    def every_alarm_is_where_its_condition_and_people_put_it(self) -> None:
        """None is lost, none stands without a cause, and each shelf has an end."""
        self.forget_ended_shelves()
        for name in NAMES:
            life = self.life(name)
            if name in self.out:
                assert life is LifecycleState.OUT_OF_SERVICE
            elif name in self.shelf:
                assert life is LifecycleState.SHELVED
                assert self.state.known[name].until_s == self.shelf[name]
            elif name in self.due:
                assert life in (*ACTIVE_STATES, LifecycleState.SUPPRESSED_BY_DESIGN), name
            else:
                assert life in (LifecycleState.NORMAL, LifecycleState.RETURNED_UNACKNOWLEDGED), name
            assert (life is LifecycleState.ACKNOWLEDGED) <= (name in self.acknowledged_names), name
            assert (life in UNACKNOWLEDGED_STATES) == (name in self.unacknowledged_names), name
            if life is LifecycleState.SUPPRESSED_BY_DESIGN:
                assert self.may_be_suppressed(name), name

    @invariant()
    def what_was_published_is_what_is(self) -> None:
        """Whoever follows the events knows where each alarm stands; topics are made of them."""
        for name in NAMES:
            assert self.life(name) is self.last_states.get(name, LifecycleState.NORMAL), name

    def may_be_suppressed(self, name: str) -> bool:
        """Whether the design says so; an act since the last reading may have ended the cause."""
        row = CATALOGUE[name]
        return bool(
            set(row.suppressed_while) & set(self.circumstances)
            or any(cause in self.due or cause in self.out for cause in row.yields_to)
        )


Shift.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestShift = Shift.TestCase
TestShift.__doc__ = """No sequence of readings, acts and restarts loses an alarm or makes one."""


@given(
    st.floats(60.0, LONGEST_SHELF_S),
    st.lists(st.floats(1.0, 40_000.0), min_size=1, max_size=60),
    st.booleans(),
)
def test_shelving_always_ends(
    for_s: float,
    steps_s: list[float],
    there: bool,  # noqa: FBT001 - drawn, and given by place
) -> None:
    """At the first reading past its time, whatever the spacing of readings and the condition."""
    state, t_s = AlarmState(), 0.0
    transitions.shelve(state, "batch-stale", "kim", "known", for_s, t_s)
    for step_s in steps_s:
        t_s += step_s
        changes = advance(state, {"batch-stale": "why"} if there else {}, t_s)
        life = state.known.get("batch-stale", AlarmStatus()).state
        assert (life is LifecycleState.SHELVED) == (t_s < for_s)
        if t_s >= for_s:
            assert [Transition.UNSHELVED] == [each.transition for each in changes]
            assert life is (LifecycleState.UNACKNOWLEDGED if there else LifecycleState.NORMAL)
            return
