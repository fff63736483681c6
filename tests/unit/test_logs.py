"""Log lines: changes are told, repetition is not."""

from __future__ import annotations

import logging
import re

import pytest

from daemon.logs import Outage, set_up


@pytest.fixture
def outage(caplog: pytest.LogCaptureFixture) -> Outage:
    """An outage that speaks to where the test listens."""
    caplog.set_level(logging.INFO)
    return Outage(logging.getLogger("test"), "publishing to mqtt")


def test_an_outage_is_one_line_a_minute(outage: Outage, caplog: pytest.LogCaptureFixture) -> None:
    """An hour of failures, one a second, is sixty lines and one at the end."""
    for second in range(3600):
        outage.failed("connection refused", float(second))
    outage.worked()

    assert 61 == len(caplog.messages)
    assert "publishing to mqtt fails (1 so far): connection refused" == caplog.messages[0]
    assert "publishing to mqtt fails (61 so far): connection refused" == caplog.messages[1]
    assert "publishing to mqtt works again after 3600 failures" == caplog.messages[-1]


def test_what_works_is_not_told(outage: Outage, caplog: pytest.LogCaptureFixture) -> None:
    """A day without trouble is a day without lines."""
    for _ in range(100):
        outage.worked()

    assert [] == caplog.messages


def test_a_second_outage_is_told_at_once(outage: Outage, caplog: pytest.LogCaptureFixture) -> None:
    """Its count begins anew and it does not wait for the minute of the last one."""
    outage.failed("a", 0.0)
    outage.worked()
    outage.failed("b", 1.0)

    assert "publishing to mqtt fails (1 so far): b" == caplog.messages[-1]


def test_a_line_says_when_in_utc_and_which_process(capsys: pytest.CaptureFixture[str]) -> None:
    """Set up twice, as after a restart within one process, it still says things once."""
    set_up("measure")
    set_up("measure").info("measuring %d probes", 2)
    (line,) = capsys.readouterr().err.splitlines()

    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ measure INFO measuring 2 probes", line)
