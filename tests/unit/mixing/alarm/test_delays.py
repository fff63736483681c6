"""How long each condition must last and be away: the figures themselves, so that none slips."""

from __future__ import annotations

import pytest

from daemon.mixing.alarm.alarm_state import AlarmState
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.transitions import advance

SECONDS = {
    "reading-overdue": (300, 30),
    "probe-fault": (60, 30),
    "probe-disagrees": (300, 300),
    "blank-impure": (60, 60),
    "salinity-drifting": (300, 300),
    "temperature-out-of-band": (300, 60),
    "publishing-delayed": (0, 60),
    "clock-unsynchronised": (600, 60),
    "storage-low": (0, 60),
}
"""On-delay and off-delay; all others come and go at once."""
DEADBANDS = {"probe-disagrees": 0.1, "salinity-drifting": 0.1, "temperature-out-of-band": 0.3}
"""In ppt, and °C for a temperature."""


@pytest.mark.parametrize("name", CATALOGUE)
def test_an_alarm_comes_and_goes_after_its_delays(name: str) -> None:
    """Not a second sooner, nor later."""
    on_s, off_s = SECONDS.get(name, (0, 0))
    state, said = AlarmState(), []
    for t_s in range(1500):
        conditions = {name: "the condition holds"} if t_s < 700 else {}
        said += [(t_s, str(change.transition)) for change in advance(state, conditions, float(t_s))]

    assert [(on_s, "raised"), (700 + off_s, "cleared")] == said


def test_only_what_is_measured_has_a_deadband() -> None:
    """Of an amount that leaves noise behind and keeps what a person would act on."""
    assert DEADBANDS == {name: row.deadband for name, row in CATALOGUE.items() if row.deadband}
