"""A slice of the campaign of transports that go and come back."""

from __future__ import annotations

import pytest

from daemon.probes.line import LineProbe
from tests.campaigns.replugs import NAMES, REAL, replug
from tests.parts.driver_stages import Polled

SLOW = set(REAL)
"""They take real time, and have tests of their own: `tests/services/test_mqtt_in_broker.py`."""


@pytest.mark.parametrize("name", [name for name in NAMES if name not in SLOW])
def test_a_transport_that_comes_back_is_read_within_two_periods(name: str) -> None:
    """Six times each, at random moments, also in the middle of what it says; no wrong value."""
    outages = replug(name, 6, seed=7)

    assert 6 == len(outages.took)
    assert 0 == outages.slow, outages.took
    assert 0 == outages.wrong


def test_a_driver_that_comes_back_late_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that leaves its port alone for ten seconds before it opens it again."""
    monkeypatch.setattr(LineProbe, "_pause_s", lambda _probe: 10.0)

    assert replug("line, asked", 3, seed=7).slow


def test_a_value_that_nobody_said_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """An instrument whose line says another number than the campaign expects."""
    said = Polled.message
    monkeypatch.setattr(Polled, "message", lambda one, n, c, t: said(one, n, c + 1.0, t))

    assert replug("line, asked", 2, seed=7).wrong
