"""Log lines: changes are told, repetition is not."""

from __future__ import annotations

import logging
import re
import subprocess
import sys
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.logs import Outage, set_up
from tests.services.service_parts import LOG_LINE, ROOT

FORGED = "2026-03-02T08:00:00Z measure INFO station: phase to=ready"


@pytest.fixture(autouse=True)
def _hook_as_it_was() -> Iterator[None]:
    """What a process does with a fault of its own is the test runner's again afterwards."""
    before = sys.excepthook
    yield
    sys.excepthook = before


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


def test_a_second_outage_is_reported_at_once(
    outage: Outage, caplog: pytest.LogCaptureFixture
) -> None:
    """Its count begins again and it does not wait for the minute of the last one."""
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


def fail(text: str) -> None:
    """Raise an exception of these words."""
    raise ValueError(text)


def test_a_text_from_outside_begins_no_line(capsys: pytest.CaptureFixture[str]) -> None:
    """Neither in an entry nor in the words of an exception below it."""
    log = set_up("measure")
    log.info("note by %s", f"kim\n{FORGED}\x1b[2J")
    try:
        fail(f"bad\n{FORGED}\u202e\x85")
    except ValueError:
        log.exception("this failed")
    first, second, *trace = capsys.readouterr().err.split("\n")[:-1]

    assert first.endswith(rf" INFO note by kim\n{FORGED}\x1b[2J")
    assert second.endswith("this failed")
    assert [] == [line for line in trace if not line.startswith("    ")]
    assert rf"    {FORGED}\u202e\x85" == trace[-1]
    assert "    Traceback (most recent call last):" == trace[0]


def test_what_another_handler_left_in_the_record_is_not_used(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The library keeps the first form of a traceback that any handler made of it."""
    log = set_up("measure")
    try:
        fail(f"bad\n{FORGED}")
    except ValueError:
        record = log.makeRecord(log.name, 40, "f", 1, "failed: %s", ("x\ny",), sys.exc_info())
    logging.Formatter().format(record)
    log.handle(record)
    lines = capsys.readouterr().err.split("\n")

    assert [] == [line for line in lines if line.startswith(FORGED)]
    assert r"failed: x\ny" in lines[0]
    assert ("x\ny",) == record.args


def test_a_fault_of_its_own_is_an_entry_too() -> None:
    """A process that ends by an exception that nobody caught writes no text raw, nor a library."""
    program = (
        "from daemon.logs import set_up; set_up('measure');"
        f"import logging; logging.getLogger('of.a.library').warning('bad\\n{FORGED}');"
        f"raise ValueError('bad\\n{FORGED}\\x1b[2J')"
    )
    found = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    library, first, *rest = found.stderr.splitlines()

    assert 1 == found.returncode
    assert library.endswith(rf" measure WARNING bad\n{FORGED}")
    assert first.endswith(" measure CRITICAL ended by a fault of its own")
    assert [] == [line for line in rest if not line.startswith("    ")]
    assert "\x1b" not in found.stderr


@given(st.text(), st.text())
def test_any_text_is_one_line_of_the_log(who: str, text: str) -> None:
    """Whatever it is, also half of a letter or the end of a line in any script."""
    (handler,) = set_up("measure").handlers
    record = logging.LogRecord("x", logging.INFO, "f", 1, "by %s: %s", (who, text), None)
    shown = handler.format(record)

    assert LOG_LINE.fullmatch(shown)
    assert shown.isprintable()
