"""What is said of the water of several probes belongs together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Flag, Reading
from daemon.mixing.probe.own_history import AGREES_S
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.station import together
from daemon.mixing.station.station_state import ReservoirState
from tests.parts.events import AT
from tests.parts.readings import reading
from tests.parts.together import FIRST, PROBES, SECOND, SETTINGS

FIGURE = "34.00 ppt, expected 0.0 to 3.0"


def of(probe: str, flag: Flag, t_s: float = 0.0) -> Reading:
    """A reading of a probe whose expected band gives this flag."""
    at = replace(AT, mono_s=AT.mono_s + t_s)
    figures = {"expected_band": FIGURE} if flag is Flag.SUSPECT else {}
    tests = {"expected_band": flag}
    return replace(reading(at=at, probe=probe, flag=flag), tests=tests, figures=figures)


@pytest.mark.parametrize(
    "first, second, figures",
    [
        (Flag.PASS, Flag.PASS, {}),
        (Flag.PASS, Flag.SUSPECT, {"expected_band": f"{SECOND}: {FIGURE}"}),
        (Flag.SUSPECT, Flag.PASS, {"expected_band": FIGURE}),
        (Flag.SUSPECT, Flag.SUSPECT, {"expected_band": FIGURE}),
    ],
)
def test_a_flag_stands_beside_the_figures_of_a_probe_that_has_it(
    first: Flag, second: Flag, figures: dict[str, str]
) -> None:
    """Of the one that decides, else of another by its name: never a flag without its reason."""
    state = ReservoirState(probes={name: ProbeState() for name in PROBES})
    settings, found = SETTINGS["mix-1"], None
    # Whoever comes is compared for a while before it counts.
    for t_s in range(0, round(AGREES_S) + 60, 10):
        for probe, flag in ((SECOND, second), (FIRST, first)):
            one = of(probe, flag, float(t_s))
            found = together.take(state, one, one, [], one.at.mono_s, settings) or found

    assert found is not None
    assert FIRST == found.shown.probe
    assert max(first, second) == found.shown.flag == found.judged.flag
    assert {"expected_band": max(first, second)} == found.shown.tests
    assert figures == found.shown.figures
