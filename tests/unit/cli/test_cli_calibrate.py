"""`brinewright calibrate` where nothing has to run: what the journal tells, and what is asked."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import gsw
import pytest

from calibration.record import CalibrationRecord
from calibration.settling import Settling
from daemon import assembly, logs
from daemon.cli.calibrate_guide import action_for
from daemon.cli.calibrate_live import settling_text
from daemon.cli.calibrate_references import ask_for_references, ask_for_thermometer
from daemon.cli.main import invoke
from daemon.config import load
from daemon.entries import Flag, Instant, Kind, Reading
from daemon.journal.calibration_records import indication_of
from daemon.journal.checkpoint import dump
from daemon.journal.command_format import parse as parse_request
from daemon.journal.reader import Reader
from daemon.journal.station_restore import restore_station
from daemon.journal.writer import Writer
from daemon.mixing.batch.batch_record import records as batch_records
from daemon.mixing.probe.reference_solutions import parse
from daemon.mixing.probe_events import RecordSaved
from daemon.records.batch_curve import curve_of
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, Corner, readings, records
from tests.parts.configurations import JOURNAL, configuration
from tests.parts.events import facts_in
from tests.parts.stories import MORNING, of
from tests.parts.weights import weights

CONFIG = configuration(
    r"""
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/ttyUSB0"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "mS/cm", temperature = "degC" }
compensation = "none"
calibrate_every_days = 45
"""
    + JOURNAL
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, and no journal yet."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


def kept(folder: Path, corner: Corner, memory: str | None = None) -> Path:
    """Write down all that a corner has said, and the state as it was at its end or before."""
    with Writer(folder / "journal.db") as writer:
        writer.append(corner.entries, 0.0, {}, memory)
    return folder / "journal.db"


@pytest.fixture
def past(folder: Path) -> Corner:
    """Two calibrations, a check and a return to the first, all in the journal."""
    corner = Corner()
    first = corner.calibrate()
    corner.gain = 0.985
    corner.calibrate(repair="cleaned")
    corner.calibrate("calibrate.check")
    corner.send("calibrate.revert", to=first.id, reason="the second bottle was old")
    corner.in_water(2)
    kept(folder, corner)
    return corner


def output_of(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    """What a command says, having ended as it should."""
    assert code == invoke(words)
    said = capsys.readouterr()
    return said.err if code else said.out


def test_records_are_listed_the_newest_first_with_the_one_in_force(
    past: Corner, capsys: pytest.CaptureFixture[str]
) -> None:
    """What each says, who made it, and which counts."""
    lines = output_of(capsys, "calibrate", "list").splitlines()
    listed = [
        json.loads(line) for line in output_of(capsys, "calibrate", "list", "--json").splitlines()
    ]

    assert [f"mix-1-ct-1-20260302-{n}" for n in (4, 3, 2, 1)] == [each["id"] for each in listed]
    assert ["reversion", "check", "calibration", "calibration"] == [e["kind"] for e in listed]
    assert [False, False, False, True] == [each["in_force"] for each in listed]
    assert {"night shift"} == {each["by"] for each in listed}
    assert max(map(len, lines)) <= 80
    assert "" == output_of(capsys, "calibrate", "list", "--probe", "ct-9", "--json")


def test_each_kind_of_record_is_shown(past: Corner, capsys: pytest.CaptureFixture[str]) -> None:
    """With what matters of it, and nothing wider than the screen."""
    shown = [
        output_of(capsys, "calibrate", "show", f"mix-1-ct-1-20260302-{number}")
        for number in (1, 3, 4)
    ]

    assert "next due     2026-05-31" in shown[0]
    assert "it agrees" in " ".join(shown[1].split())
    assert "the second bottle was old" in shown[2]
    assert max(len(line) for text in shown for line in text.splitlines()) <= 80


def test_what_is_due_is_reported_for_each_probe(
    past: Corner, capsys: pytest.CaptureFixture[str]
) -> None:
    """The clock of the test is far beyond 2026-05-31."""
    assert "was due on 2026-05-31" in output_of(capsys, "calibrate", "due")


def test_a_probe_never_calibrated_says_so(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where there is a journal and no record in it."""
    kept(folder, Corner())

    assert "was never calibrated" in output_of(capsys, "calibrate", "due")
    assert "no probe has been calibrated yet" in output_of(capsys, "calibrate", "list", code=1)


@pytest.mark.parametrize("number, word", [(1, "As left"), (3, "Agrees with its references")])
def test_a_record_is_printed(
    past: Corner, folder: Path, capsys: pytest.CaptureFixture[str], number: int, word: str
) -> None:
    """A page that stands there whole, and is not overwritten unless that is asked for."""
    name = f"mix-1-ct-1-20260302-{number}"
    output_of(capsys, "calibrate", "report", name, "--out", "page.html")
    page = (folder / "page.html").read_text(encoding="utf-8")

    assert all(each in page for each in ("As found", "night shift", "A17", word, name))
    assert "there already" in output_of(
        capsys, "calibrate", "report", name, "--out", "page.html", code=2
    )
    assert "return to" in output_of(capsys, "calibrate", "report", "mix-1-ct-1-20260302-4", code=1)


def test_readings_are_exported_under_any_calibration(
    past: Corner, capsys: pytest.CaptureFixture[str]
) -> None:
    """Raw values are kept, so that what is exported is what that calibration makes of them."""
    second = records(past.entries)[1]
    assert isinstance(second, CalibrationRecord)
    rows = list(csv.DictReader(output_of(capsys, "export").splitlines()))
    recalculated = list(
        csv.DictReader(output_of(capsys, "export", "--calibration", second.id).splitlines())
    )
    raw = list(csv.DictReader(output_of(capsys, "export", "--calibration", "none").splitlines()))
    last = readings(past.entries)[-1]
    assert last.conductivity_mS_cm is not None
    assert last.temperature_C is not None
    expected = second.calibration.salinity(last.conductivity_mS_cm, last.temperature_C)
    plain = float(gsw.SP_from_C(last.conductivity_mS_cm, last.temperature_C, 0.0))

    assert "mix-1-ct-1-20260302-1" == rows[-1]["calibration"]
    assert (second.id, "") == (recalculated[-1]["calibration"], raw[-1]["calibration"])
    assert float(recalculated[-1]["salinity"]) == pytest.approx(expected, abs=1e-9)
    assert float(raw[-1]["salinity"]) == pytest.approx(plain, abs=1e-9)
    assert [row["conductivity_mS_cm"] for row in rows] == [row["conductivity_mS_cm"] for row in raw]
    assert "no accepted calibration" in output_of(capsys, "export", "--calibration", "x", code=1)


def test_a_recording_is_replayed_under_the_calibrations_of_its_time(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was said live is said again; what was said in the bottle is no water."""
    corner = Corner()
    corner.calibrate()
    corner.batch()
    kept(folder, corner)
    output_of(capsys, "export", "--out", "live.csv")
    again = output_of(capsys, "replay", "live.csv", "--calibrated", "--json").splitlines()
    found = [each for each in map(json.loads, again) if each["kind"] == "stabilised"]
    without = output_of(capsys, "replay", "live.csv", "--json").splitlines()
    raw = [each for each in map(json.loads, without) if each["kind"] == "stabilised"]
    (live,) = of(corner.entries, Kind.STABILISED)
    began = [each for each in map(json.loads, again) if each["kind"] == "batch"]

    # Half minutes are counted from the first thing heard, which live was a command.
    assert [each["salinity"] for each in found] == pytest.approx(
        [facts_in(live)["salinity"]], abs=5e-3
    )
    assert 32.8 < raw[0]["salinity"] < 33.0
    assert 1 == len(began)


def test_the_sheet_of_a_batch_shows_no_bottle(folder: Path) -> None:
    """Neither among its readings nor among its events."""
    corner = Corner(gain=1.0)
    corner.batch()
    corner.calibrate("calibrate.check")
    corner.in_water(5)
    reader = Reader(kept(folder, corner))
    (batch,) = batch_records(event for _, event in reader.events())
    curve = [point.salinity for point in curve_of(reader, batch).points]
    bottle = float(gsw.SP_from_C(SOLUTION_MS_CM, 24.0, 0.0))

    assert len(curve) > 500
    assert not any(abs(each - bottle) < 0.5 for each in curve)
    assert Kind.CALIBRATION not in {event.kind for event in batch.events}
    assert {""} == {event.batch for event in of(corner.entries, Kind.CALIBRATION)}


def test_a_restarted_station_corrects_as_the_journal_says(folder: Path) -> None:
    """The record comes from the journal, even where the kept state is older than it."""
    corner = Corner()
    corner.in_water(2)
    memory, early = dump(corner.station.state), [*corner.entries]
    corner.calibrate()
    corner.in_water(2)
    path = folder / "journal.db"
    with Writer(path) as writer:
        writer.append(early, 0.0, {}, memory)
        writer.append(corner.entries[len(early) :], 1.0, {}, None)
    settings = assembly.reservoirs(load(folder / "brinewright.toml"))
    corner.station = restore_station(path, settings, weights(), logs.set_up("test"))
    reading = readings(corner.in_water(1))[-1]

    assert "mix-1-ct-1-20260302-1" == reading.calibration


def test_how_long_a_calibration_holds_is_configured(folder: Path) -> None:
    """For each probe, and the record says it."""
    corner = Corner()
    settings = assembly.reservoirs(load(folder / "brinewright.toml"))
    corner.station = type(corner.station)(settings, weights())
    record = corner.calibrate()

    assert isinstance(record, CalibrationRecord)
    assert "2026-04-16" == record.due_on


def test_a_record_that_cannot_be_read_is_a_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A newer version's record is not taken for none."""
    corner = Corner()
    corner.calibrate()
    (saved,) = [each for each in of(corner.entries, Kind.CALIBRATION) if "record" in facts_in(each)]
    assert isinstance(saved.body, RecordSaved)
    assert isinstance(saved.body.record, dict)
    del saved.body.record["fit"]
    kept(folder, corner)

    said = output_of(capsys, "calibrate", "list", code=69)
    assert "install the version that wrote it" in said
    assert 1 == len(said.splitlines())


def answering(monkeypatch: pytest.MonkeyPatch, *typed: str) -> Iterator[str]:
    """Have a person at the terminal type this, and give what is left of it."""
    left = iter(typed)
    monkeypatch.setattr("builtins.input", lambda _: next(left))
    return left


def test_bottles_are_asked_for_until_they_are_understood(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was typed becomes words that the station understands, mistakes asked for again."""
    bottle = ("Q 12", "0,5", "", "Q 12", "0.5", "2027-01-31")
    typed = ("", "99", "9", *bottle[:3], "9", *bottle[3:], "y", "13", "35", "S-7", "0.1", "", "n")
    left = answering(monkeypatch, *typed)
    found = ask_for_references()

    assert [] == list(left)
    air, solution, seawater = parse("; ".join(found))
    assert (True, "Q 12", 35.0) == (
        air.is_zero,
        solution.bottle and solution.bottle.lot,
        seawater.salinity,
    )


def test_a_thermometer_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its name, and the ± on it; Enter for none."""
    answering(monkeypatch, "T 3", "a tenth", "0,1")
    assert ("T 3", 0.1) == ask_for_thermometer()
    answering(monkeypatch, "")
    assert (None, None) == ask_for_thermometer()


@pytest.mark.parametrize(
    "step, on_confirm, typed, doing",
    [
        ("rinse", "", "", "confirm"),
        ("rinse", "", "r", None),
        ("rinse", "", "a", "abort"),
        ("rinse", "", "yes", None),
        ("captured", "", "", "next"),
        ("captured", "", "r", "retry"),
        ("held", "go_on", "", None),
        ("held", "go_on", "anyway", "confirm"),
        ("held", "nothing", "", None),
        ("held", "nothing", "anyway", None),
        ("held", "nothing", "r", "retry"),
        ("held", "wait", "", "confirm"),
        ("held", "swap", "", "confirm"),
        ("thermometer", "", "", None),
        ("thermometer", "", "r", "retry"),
        ("verdict", "", "", "confirm"),
        ("return", "", "", "confirm"),
        ("return", "", "a", None),
    ],
)
def test_what_is_typed_means_only_what_it_says(
    step: str, on_confirm: str, typed: str, doing: str | None
) -> None:
    """Enter alone never goes on in spite of a warning, and no key does what was not offered."""
    assert doing == action_for(step, on_confirm, typed)


def a_reading(number: int, conductivity: float | None, warmth: float | None) -> Reading:
    """A reading in a bottle, some seconds after the first."""
    at = Instant(MORNING, 10.0 * number)
    flag = Flag.MISSING if conductivity is None else Flag.FAIL
    return Reading("mix-1", "ct-1", at, conductivity, warmth, None, None, flag, {})


def test_the_live_display_says_what_still_moves_and_when_nothing_does() -> None:
    """Values as the probe says them, how long it has been, and what is waited for."""
    settling = Settling(0.01)
    assert "waiting for the probe" == settling_text(settling)

    def take(number: int, conductivity: float | None, temperature: float | None) -> None:
        settling.take(indication_of(a_reading(number, conductivity, temperature)))

    for number in range(15):
        take(number, SOLUTION_MS_CM, 20.0 + 0.1 * number)
    warming = settling_text(settling)
    take(15, None, None)
    silent = settling_text(settling)
    for number in range(16, 40):
        take(number, SOLUTION_MS_CM + 1e-3 * (number % 2), 24.0)

    assert "temperature by 0.60 °C a minute (at most 0.05)" in warming
    assert "waited        140 s" in warming
    assert "steady        no: the probe is silent" in silent
    assert "steady        yes" in settling_text(settling)


def test_a_dashboard_can_ask_for_a_calibration_over_the_broker() -> None:
    """The bottles are one text, as a message can carry it."""
    told = {"verb": "calibrate.start", "references": f"air; {SOLUTION}", "probe": "ct-1"}
    payload = json.dumps(told).encode()
    request = parse_request(payload, len(payload), ("calibrate.start",), "mqtt.commands")
    corner = Corner()

    assert not corner.answer(request.verb, **request.facts).startswith("-")
