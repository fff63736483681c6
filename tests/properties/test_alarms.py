"""Alarms, whatever their conditions do."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.mixing.alarms import CATALOGUE, AlarmState, advance

conditions = st.dictionaries(st.sampled_from(list(CATALOGUE)), st.just("why"))
course = st.lists(st.tuples(st.floats(0, 400), conditions), max_size=40)


@given(course)
def test_raised_and_cleared_take_turns(given_course: list[tuple[float, dict[str, str]]]) -> None:
    """No alarm is raised twice or cleared unraised, and what stands is what was told."""
    state, t_s = AlarmState(), 0.0
    standing: set[str] = set()
    for step_s, holding in given_course:
        t_s += step_s
        for change in advance(state, holding, t_s):
            assert (change.name in standing) == (change.state == "cleared")
            standing ^= {change.name}

        assert standing == set(state.active)


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
            if change.state == "raised":
                assert t_s - since[change.name] >= CATALOGUE[change.name].on_delay_s
