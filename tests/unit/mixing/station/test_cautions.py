"""Wherever a person reads 'released', the same short caution stands beside it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from calibration.instructions import CAUTIONS
from daemon.cli.main import invoke
from daemon.entries import Event, Instant, Kind, Phase
from daemon.journal.event_codec import body_of, facts_of
from daemon.journal.writer import Writer
from daemon.mixing.alarm.catalogue import CATALOGUE, AlarmKind
from daemon.mixing.cautions import INDEPENDENT_CHECK, UNPLUG_FIRST
from daemon.mixing.probe.calibration_routines import last_step
from daemon.page.labels import phase_words
from daemon.records.event_text import listing
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import a_station, mixed
from tests.unit.cli.test_cli_replay import CONFIG

NOW = Instant(datetime(2026, 3, 2, 9, 0, tzinfo=UTC), 0.0)
ROOT = Path(__file__).parents[4]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "deploy/guides/calibration.md").read_text(encoding="utf-8")
NOT_RELEASED = [each for each in Phase if each is not Phase.READY]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration and the journal of a batch that has just been released."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    station, story = a_station(), mixed()
    entries = story.play(station)
    at = Instant(datetime.now(UTC) - timedelta(seconds=1.0), story.t_s, story.boot)
    with Writer(tmp_path / "configured.db") as writer:
        writer.append(entries, 0.0, {"mix-1": snapshot_in(station, "mix-1", at)}, None)
    return tmp_path


@pytest.mark.parametrize(
    "words",
    [
        ["status"],
        ["status", "--watch", "--until-ready"],
        ["batch", "show", "mix-1-20260302-1"],
    ],
    ids=" ".join,
)
def test_released_water_comes_with_the_caution(
    folder: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    """On every screen of the command line, within 80 columns."""
    assert 0 == invoke(words)
    lines = capsys.readouterr().out.splitlines()

    assert INDEPENDENT_CHECK in " ".join(" ".join(lines).lower().split())
    assert max(map(len, lines)) <= 80


def test_an_event_of_release_carries_the_caution() -> None:
    """In a replay and a live view, and in no other change of phase."""
    for phase in Phase:
        event = Event("mix-1", NOW, "x", body_of(Kind.PHASE, {"to": str(phase), "why": "so"}))
        said = " ".join(listing(event, UTC).split())
        assert (phase is Phase.READY) == (INDEPENDENT_CHECK in said)


def test_the_page_says_it_in_the_phase() -> None:
    """Where it is released, and nowhere else."""
    assert phase_words("ready").endswith(INDEPENDENT_CHECK)
    assert not any(INDEPENDENT_CHECK in phase_words(each) for each in NOT_RELEASED)


HANDS = {"bottom", "heater", "chiller", "pump", "probe", "both"}
"""Words by which what is to be done sends a hand into the water."""


@pytest.mark.parametrize("kind", CATALOGUE.values(), ids=lambda kind: kind.name)
def test_an_alarm_that_sends_a_hand_into_the_water_says_unplug_first(kind: AlarmKind) -> None:
    """Salt water conducts very well; and no other alarm cries wolf about it."""
    reaches_in = bool(HANDS & set(re.findall(r"\w+", kind.do)))

    assert reaches_in == (UNPLUG_FIRST in kind.do)


def test_whoever_takes_a_probe_out_or_puts_it_back_is_warned_to_unplug_first() -> None:
    """Before the first step and after the last, in the same words."""
    facts = facts_of(last_step("mix-1/ct-1").body)

    assert UNPLUG_FIRST in CAUTIONS[0]
    assert UNPLUG_FIRST in str(facts["text"])


@pytest.mark.parametrize(
    "text", [" ".join(CAUTIONS), README, GUIDE], ids=["routine", "README", "guide"]
)
@pytest.mark.parametrize(
    "part",
    [
        "label",
        "air the room",
        "goggles and gloves",
        "acid into water",
        "bleach",
        "gives off gas",
        "gets warm",
        "local rules",
        "away from animals",
    ],
)
def test_acid_comes_with_all_that_must_be_known_of_it(part: str, text: str) -> None:
    """At the bench, in the README and in the guide to calibration."""
    assert part in " ".join(text.split())
