"""From a dead port to a message and back: real service, real receiver, a person at the CLI."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from daemon.entries import Kind, Phase
from daemon.mixing.events import PhaseChanged
from tests.conftest import wait_until
from tests.parts.events import facts_in
from tests.services.notify_parts import Hook, hooked, mailing, write_urls
from tests.services.service_parts import (
    BATCH_S,
    ROOT,
    Station,
    assert_plain_speech,
    measuring,
    playing,
    running,
)

SECTIONS = """
[page]
enabled = false
[notify]
urls_file = "receivers"
repeat_every_min = 5
at_most_per_h = 1000
[[alarm]]
name = "probe-fault"
priority = "high"
"""


def title_count(hook: Hook, what: str) -> int:
    """How many titles say that of the probe's alarm."""
    return len([title for title in hook.titles if title.endswith(f"mix-1: probe-fault {what}")])


def test_a_dead_port_is_reported_again_until_a_person_acknowledges_it(tmp_path: Path) -> None:
    """Raised with its reason, told again, acknowledged at the command line, then not again."""
    with hooked() as hook:
        write_urls(tmp_path, f"high mix-1 {hook.url}")
        station = Station(tmp_path, speed=600.0, more=SECTIONS)
        publish = ("daemon.publish", "--config", str(station.config))
        with (
            measuring(station) as measure,
            running("publish", *publish, folder=tmp_path) as process,
        ):
            wait_until(lambda: title_count(hook, "is still active") >= 2, "two repeats", BATCH_S)
            words = ("alarm", "ack", "probe-fault", "--config", str(station.config))
            done = subprocess.run(
                [sys.executable, "-m", "daemon.cli.main", *words],
                cwd=ROOT,
                capture_output=True,
                text=True,
                timeout=120,
                check=False,
            )
            assert (0, "") == (done.returncode, done.stderr)
            wait_until(lambda: process.alive and _acknowledged(station), "the acknowledgement")
            repeats = title_count(hook, "is still active")
            since = len(station.readings())
            # Three times as long as two repeats are apart, by the station's own clock.
            station.wait_for_readings(since + 90)
            assert measure.alive
            assert (
                title_count(hook, "is still active") <= repeats + 1
            )  # one may have been on its way
            assert 0 == process.stop()

    assert 1 == title_count(hook, "(high)")
    assert "\nWhy: " in hook.bodies[0]
    assert "brinewright alarm ack probe-fault --reservoir mix-1" in hook.bodies[0]
    assert_plain_speech(process)


def test_a_good_batch_tells_of_its_release_and_of_nothing_else(tmp_path: Path) -> None:
    """From a simulated instrument to a mailbox: one message, with what a person needs to act."""
    sections = """
[page]
enabled = false
[notify]
urls_file = "receivers"
quiet_from = "00:00"
quiet_until = "00:00"
"""
    with mailing() as box:
        write_urls(tmp_path, f"released off-target undecided {box.url}")
        station = Station(tmp_path, more=sections)
        publish = ("daemon.publish", "--config", str(station.config))
        with (
            playing(station, "plain-batch"),
            measuring(station),
            running("publish", *publish, folder=tmp_path) as process,
        ):
            station.wait_for(Phase.READY)
            wait_until(lambda: bool(box.mails), "the mail", BATCH_S)
            assert 0 == process.stop()
        (released,) = [
            event
            for event in station.events(Kind.PHASE)
            if isinstance(event.body, PhaseChanged) and event.body.to is Phase.READY
        ]
        (mail,) = box.mails

    assert isinstance(released.body, PhaseChanged)
    figures = released.body.why.partition(" ppt")[0]  # as 34.02 ± 0.14
    title = rf"mix-1: released, {re.escape(figures)} ppt, use by \w{{3}} \d\d:\d\d UTC"
    assert re.fullmatch(title, str(mail["Subject"]))
    body = str(mail.get_content()).replace("\r\n", "\n")
    assert f"Where: reservoir mix-1, batch {released.batch}\n" in body
    assert "\nDo: Check with an independent instrument before animals meet it.\n" in body
    assert_plain_speech(process)


def _acknowledged(station: Station) -> bool:
    return any(facts_in(event).get("state") == "acknowledged" for event in station.events())
