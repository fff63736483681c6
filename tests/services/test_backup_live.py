"""Backups beside the real processes: what runs meanwhile, and what must not."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import NOT_SO, OK
from daemon.entries import Kind, Phase
from daemon.journal.reader import Reader
from tests.conftest import find_free_port, wait_until
from tests.page.page_parts import ask
from tests.parts.events import facts_in
from tests.services.service_parts import Process, Station, measuring, playing, running

UNAVAILABLE = 69


def backup(verb: str, station: Station) -> int:
    """Run a verb of backups on the station's file."""
    file = str(station.folder / "a.backup")
    return invoke(["backup", verb, file, "--config", str(station.config)])


def publishing(station: Station) -> tuple[str, ...]:
    """Words of the publishing process."""
    return ("daemon.publish", "--config", str(station.config))


def answers(port: int) -> bool:
    """Whether the page is served."""
    try:
        return ask(port, "/metrics").status == 200
    except OSError:
        return False


def test_a_batch_goes_on_after_its_station_was_restored(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Backed up while it dissolves, refused while one of the two processes runs, then restored.

    The measuring that follows releases the same batch.
    """
    port = find_free_port()
    station = Station(tmp_path, more=f'[page]\nlisten = "127.0.0.1:{port}"')
    with (
        playing(station, "plain-batch"),
        measuring(station) as measure,
        running("publish", *publishing(station), folder=tmp_path) as publish,
    ):
        station.wait_for(Phase.DISSOLVING)
        wait_until(lambda: answers(port), "the page")
        batch = station.picture()["batch"]
        assert OK == backup("create", station)
        before = Reader(tmp_path / "journal.db").identity()

        assert NOT_SO == backup("restore", station)
        assert "a brinewright measures there; stop it" in capsys.readouterr().err
        assert 0 == measure.stop()
        assert NOT_SO == backup("restore", station)
        assert "a brinewright publishes there; stop it" in capsys.readouterr().err
        assert 0 == publish.stop()
        assert OK == backup("restore", station)

        assert before != Reader(tmp_path / "journal.db").identity()
        station._seen.clear()  # noqa: SLF001 - another journal is there
        measure.start()
        publish.start()
        station.wait_for(Phase.READY)
        wait_until(lambda: answers(port), "the page")
        assert batch == station.picture()["batch"]
        assert 0 == measure.stop()

    states = [str(facts_in(event).get("state")) for event in station.events(Kind.DEVICE)]
    assert 1 == states.count("journal restored")
    alarms = {str(facts_in(event)["name"]) for event in station.events(Kind.ALARM)}
    assert "measuring-restarted" not in alarms
    assert [] == [line for line in measure.output_lines if "spoilt" in line or "cut off" in line]


def test_only_one_process_publishes_a_journal(tmp_path: Path) -> None:
    """Two would publish each entry twice; the second says so, and may begin once the first ends."""
    ports = (find_free_port(), find_free_port())
    station = Station(tmp_path, more=f'[page]\nlisten = "127.0.0.1:{ports[0]}"')
    first = Process(publishing(station), tmp_path / "first.log")
    second = Process(publishing(station), tmp_path / "second.log")
    first.start()
    try:
        wait_until(lambda: answers(ports[0]), "the page")
        second.start()
        wait_until(lambda: not second.alive, "the second to end")

        assert UNAVAILABLE == second._process.returncode  # type: ignore[union-attr] # noqa: SLF001
        assert "another brinewright is writing it; stop that one first" in second.output_lines[-1]
        first.kill()
        second.start()
        wait_until(lambda: answers(ports[0]), "the page of the second")
    finally:
        first.kill()
        second.kill()
