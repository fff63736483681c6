"""What the page is made of comes from a real journal, read-only, and only as far as it is new."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.config import Config, parse
from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.page.page_assembly import display_settings as configured
from daemon.page.page_assembly import make_page
from daemon.page.view import LatestView, ViewReader, alarm_views
from tests.page.page_parts import NOW, SNAPSHOT, ask, display_settings, served, station_view
from tests.parts.configurations import configuration
from tests.parts.snapshots import a_snapshot

CONFIG = configuration("""
[page]
""")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal is."""
    return tmp_path / "journal.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    """Who writes it."""
    with Writer(path) as one:
        yield one


def at(seconds: float = 0.0) -> Instant:
    """A moment so long after the start."""
    return Instant(NOW + timedelta(seconds=seconds), seconds, "boot-1")


def view_reader(path: Path, seconds: float = 2.0) -> ViewReader:
    """What reads the view, so long after the start."""
    return ViewReader(
        "quarantine-wing",
        [display_settings()],
        path,
        Reader(path),
        lambda _: (),
        lambda: at(seconds),
    )


def snapshot_with(*alarms: str, **facts: JSON) -> dict[str, JSON]:
    """The snapshot of a reservoir with these alarms."""
    usual: dict[str, JSON] = {
        "state": "unacknowledged",
        "priority": "medium",
        "active": True,
        "why": "the condition holds",
    }
    details: dict[str, JSON] = {name: {**usual, **facts} for name in alarms}
    return {**SNAPSHOT, "time": "2031-05-04T09:00:00.000Z", "alarm_details": details}


def begun() -> Event:
    """Something that is on record."""
    return Event("mix-1", at(), "", body_of(Kind.BATCH, {"what": "begun"}))


def test_a_view_has_snapshots_ages_alarms_and_sizes(path: Path, writer: Writer) -> None:
    """All of them from one journal."""
    writer.append([begun()], 0.0, {"mix-1": snapshot_with("salt-low")})
    found = view_reader(path).read()

    assert (2.0, True) == (found.reservoirs[0].age_s, found.reservoirs[0].fresh)
    assert [("mix-1", "salt-low", "unacknowledged", "medium", "the condition holds", True)] == [
        (each.reservoir, each.name, each.state, each.priority, each.why, each.announced)
        for each in found.alarms
    ]
    assert CATALOGUE["salt-low"].do == found.alarms[0].do
    assert (1, "") == (found.last_seq, found.trouble)
    assert (found.journal_bytes or 0) > 4096
    assert (found.free_bytes or 0) > 0


def test_the_most_urgent_alarm_comes_first(path: Path, writer: Writer) -> None:
    """Of reservoir and station alike; what is withheld comes last."""
    own = snapshot_with("storage-low", priority="high")
    writer.append([begun()], 0.0, {"mix-1": snapshot_with("salt-low"), "": own})
    withheld = snapshot_with("batch-stale", priority="high", state="shelved")
    kept = view_reader(path).read().alarms
    writer.append([begun()], 1.0, {"mix-1": withheld})

    assert ["storage-low", "salt-low"] == [each.name for each in kept]
    assert ["storage-low", "batch-stale"] == [each.name for each in view_reader(path).read().alarms]


def test_an_alarm_of_a_reservoir_that_was_taken_out_is_not_shown(
    path: Path, writer: Writer
) -> None:
    """Nobody can clear it any more."""
    writer.append([begun()], 0.0, {"mix-9": snapshot_with("salt-low")})

    assert [] == view_reader(path).read().alarms
    assert [None] == [each.snapshot for each in view_reader(path).read().reservoirs]


@pytest.mark.parametrize(
    "details, count",
    [(None, 0), (7, 0), (["x"], 0), ({"odd": 7}, 0), ({"odd": {"state": None}}, 1)],
)
def test_alarms_of_another_version_break_nothing(details: JSON, count: int) -> None:
    """What is not understood is left out or shown as far as it goes."""
    assert count == len(alarm_views("mix-1", a_snapshot(alarm_details=details)))


def test_without_a_journal_the_view_says_what_to_do(path: Path) -> None:
    """Nothing is made where there was none."""
    found = view_reader(path).read()

    why = "measuring does not run; start 'brinewright run', or the service"
    assert f"nothing has been measured yet; {why}" == found.trouble
    assert [(None, None)] == [(each.snapshot, each.age_s) for each in found.reservoirs]
    assert not path.exists()


def test_a_journal_that_cannot_be_read_gives_a_sentence(path: Path) -> None:
    """In a sentence, and not raised."""
    Writer(path).close()
    path.write_bytes(os.urandom(8192))

    assert "journal.db: spoilt on the disk" in view_reader(path).read().trouble


def config(*lines: str) -> Config:
    """A configuration whose last section is the page's."""
    return parse("\n".join([CONFIG, *lines]), Path("brinewright.toml"))


class Never:
    """No port is tried here."""

    def failed(self, now_s: float) -> float:
        """Say how long, s."""
        raise AssertionError(now_s)


def test_the_page_is_on_unless_it_is_turned_off() -> None:
    """On loopback, with and without a section."""
    page = make_page(config(), Never())

    assert page is not None
    assert ("127.0.0.1", 8407) == (page.host, page.port)
    assert make_page(config("enabled = false"), Never()) is None


@pytest.mark.parametrize(
    "listen, warned", [("127.0.0.1:8407", False), ("[::1]:8407", False), ("192.0.2.1:80", True)]
)
def test_a_page_for_other_machines_comes_with_a_warning(
    caplog: pytest.LogCaptureFixture, listen: str, warned: object
) -> None:
    """It has no password, and says so when it is opened to others."""
    with caplog.at_level(logging.WARNING):
        make_page(config(f'listen = "{listen}"'), Never())

    assert warned is ("asks for no password" in caplog.text)


def test_its_names_are_those_of_the_configuration() -> None:
    """In small letters, as they are compared."""
    page = make_page(config('names = ["Mixing.LAN"]'), Never())

    assert page is not None
    with served(page.application) as port:
        by_name = ask(port, "/static/frame.css", headers={"Host": "mixing.lan"})

    assert 200 == by_name.status


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "Pacific/Chatham"])
def test_times_are_in_the_zone_of_the_configuration(tmp_path: Path, zone: str) -> None:
    """From the file to the look, also where there is no journal yet; use-by is the reservoir's."""
    text = CONFIG.replace("[[reservoir]]", f'timezone = "{zone}"\n[[reservoir]]')
    text = text.replace("tolerance_ppt = 1.0", "tolerance_ppt = 1.0\nuse_within_h = 12")
    page = make_page(parse(text, tmp_path / "x.toml"), Never())

    assert page is not None
    assert page.live is not None
    read = page.live.read_view()
    assert zone == str(read.zone)
    assert [12.0] == [each.settings.use_within_h for each in read.reservoirs]


def test_a_slow_probe_is_old_later() -> None:
    """Three of its periods, and a minute at the least."""
    probe = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "p"
reply = '(?P<conductivity>[0-9.]+),(?P<temperature>[0-9.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
period_s = %s
"""
    limits = []
    for period in ("2", "50"):
        text = CONFIG.replace("[page]", probe % period)
        limits += [each.old_after_s for each in configured(parse(text, Path("x.toml")))]

    assert [60.0, 150.0] == limits


def test_one_view_serves_all_requests_that_came_before_it_began() -> None:
    """And none that came later, nor one without a time."""
    looks = [replace(station_view(), last_seq=number) for number in range(3)]
    at_s = iter((5.0, 7.0, 9.0))
    latest, read = LatestView(lambda: next(at_s)), iter(looks).__next__

    assert [looks[0], looks[0], looks[1], looks[1], looks[2]] == [
        latest.since(asked_s, read) for asked_s in (1.0, 4.9, 5.0, 3.0, float("inf"))
    ]
