"""Whatever happens on an SDI-12 line: no exception, no value of another moment, no standstill."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.parts.sdi12_bench import Sdi12Bench, bench, section, sensor

PERIOD_S = 4.0
MEASURES_S = 1.0
"""What the instruments announce; a concurrent measurement may be as much younger than its age."""
REPLY_S = 1.0
"""What the latest of the replies here needs to come whole."""

happenings = st.one_of(
    st.tuples(
        st.sampled_from(["silent", "wrong_crc", "cut", "unsigned", "short", "aborts"]),
        st.integers(1, 6),
    ),
    st.tuples(st.just("late_s"), st.sampled_from([0.0, 0.05, 0.14, 0.4, 0.9])),
    st.tuples(
        st.sampled_from(["is_one_behind", "has_no_service_request", "early_service_request"]),
        st.booleans(),
    ),
    st.tuples(st.sampled_from(["answers_as", "service_request_from"]), st.sampled_from("7 ")),
    st.tuples(st.just("noise"), st.binary(min_size=1, max_size=40)),
    st.tuples(st.just("other"), st.sampled_from(["0M!", "0D0!", "1C!", "?!", "0!", "0I!"])),
    st.tuples(st.just("plugged"), st.booleans()),
    st.tuples(st.just("share"), st.sampled_from([0.0, 0.3, 1.0])),
)
stories = st.lists(st.tuples(st.floats(0.01, 3.0), happenings), max_size=12)
words = st.sampled_from(["MC", "CC", "MC1"])


def happen(one: Sdi12Bench, what: str, how: object) -> None:
    """Let one thing go wrong, or come right."""
    first = one.sensors.sensors[0]
    if what == "noise" and isinstance(how, bytes):
        one.line.came += how
    elif what == "other":
        one.sensors.other_recorder(str(how), one.t_s)
    elif what == "plugged":
        one.line.is_plugged = bool(how)
    elif what == "share" and isinstance(how, float):
        one.sensors.noise_share, one.sensors.adds_bytes = how, True
    else:
        setattr(first.faults, what, how.strip() if isinstance(how, str) else how)


def mend(one: Sdi12Bench) -> None:
    """Take all faults away."""
    for each in one.sensors.sensors:
        each.faults = type(each.faults)()
    one.sensors.noise_share, one.line.is_plugged = 0.0, True


def line_of(word: str) -> Sdi12Bench:
    """Two instruments whose values all tell when they were measured."""
    both = [sensor(address, announces_s=1, takes_s=0.5) for address in "01"]
    for each in both:
        each.measures = {word[2:]: lambda t_s: [f"+{t_s * 1000:.0f}" for _ in range(5)]}
    keys = (
        f'period_s = 4\nmeasurement = "{word}"\nvalues = {{ conductivity = 1, temperature = 5 }}\n'
    )
    sections = [section(keys), section(keys + 'address = "1"', "ct-2")]
    return bench(*both, sections=sections)


@settings(max_examples=60)
@given(word=words, story=stories)
def test_no_happening_on_the_line_gives_a_wrong_value_or_a_standstill(
    word: str, story: list[tuple[float, tuple[str, object]]]
) -> None:
    """With check characters: each reading is of one measurement, made not long before."""
    one = line_of(word)
    for wait_s, (what, how) in story:
        one.run(wait_s)
        happen(one, what, how)
    one.run(4.0)
    mend(one)
    one.run(12.0)
    mended_s = one.t_s
    one.run(4.0 * PERIOD_S)

    for each in one.samples:
        if each.fault:
            assert each.fault.isprintable()
            continue
        assert each.conductivity_mS_cm == each.temperature_C
        assert each.conductivity_mS_cm is not None
        measured_s = each.at.mono_s - each.conductivity_age_s
        assert abs(measured_s - each.conductivity_mS_cm / 1000.0) < MEASURES_S + REPLY_S
    for name in ("ct-1", "ct-2"):
        came = [each for each in one.samples if each.probe == name and each.at.mono_s > mended_s]
        assert 3 <= len([each for each in came if not each.fault])
