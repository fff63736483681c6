"""Every form asks for what its command takes, within the same bounds as the station."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator

import pytest

from daemon.config.services import COMMANDS
from daemon.mixing.batch.suspension import ANSWERS as STATION_ANSWERS
from daemon.mixing.station.commands import alarm, batch, lot
from daemon.mixing.station.commands.dispatch import VERBS
from daemon.page.acts.forms import arguments_of
from daemon.page.acts.kinds import ANSWERS, KINDS, FormKind
from daemon.page.acts.offers import LIKELY

FILLED = {"number": "", "line": "a", "lines": "a\nb", "date": "2031-05-04", "tick": "true"}


def filled(kind: FormKind) -> dict[str, str]:
    """Every field of a form filled in with something that is right."""
    return {
        each.name: each.example if each.shape == "number" else FILLED.get(each.shape, "true")
        for each in kind.fields
    }


@pytest.mark.parametrize("key", KINDS)
def test_a_form_that_is_filled_in_is_understood(key: str) -> None:
    """Its examples are right, and it names arguments that its command takes."""
    kind = KINDS[key]
    arguments, errors = arguments_of(kind, filled(kind))

    assert {} == errors
    assert kind.verb in COMMANDS
    assert set(arguments) <= set(VERBS[kind.verb])


def test_every_command_of_batches_lots_and_alarms_has_a_form() -> None:
    """Those of calibration stand with the routine."""
    verbs = {each for each in COMMANDS if not each.startswith("calibrate.")}

    assert verbs == {kind.verb for kind in KINDS.values()} & verbs
    assert set(STATION_ANSWERS) == set(ANSWERS)
    assert {each for kinds in LIKELY.values() for each in kinds} <= set(KINDS)


def test_a_number_has_the_bounds_that_the_station_has() -> None:
    """What the form lets through is not refused for its size, and what it refuses would be."""
    ours = {
        (kind.verb.partition(".")[0], each.name, each.low, each.high)
        for kind in KINDS.values()
        for each in kind.fields
        if each.shape == "number"
    }

    assert len(ours) > 12
    assert set() == ours - set(bounds())


def bounds() -> Iterator[tuple[str, str, float, float]]:
    """The group, name and bounds of each number, as the station's commands are written."""
    for group, room in {"batch": batch, "lot": lot, "alarm": alarm}.items():
        words = re.findall(r'\.number\("(\w+)", ([\w.]+), ([\w.]+)', inspect.getsource(room))
        for name, *ends in words:
            low, high = (float(vars(room).get(end, end)) for end in ends)
            yield group, name, low, high


def test_lines_of_a_note_become_one() -> None:
    """The record has it on one line; no word is glued to the next."""
    arguments, errors = arguments_of(KINDS["note"], {"text": "cloudy\r\n  at   noon"})

    assert ({"text": "cloudy at noon"}, {}) == (arguments, errors)


@pytest.mark.parametrize(
    "key, change, words",
    [
        ("salt", {"mass_g": ""}, "missing"),
        ("salt", {"mass_g": "1,000"}, "may mean"),
        ("salt", {"mass_g": "2000 kg"}, "outside 0 to 1000000 g"),
        ("discard", {"sure": ""}, "tick"),
        ("lot-add", {"opened_on": "yesterday"}, "no date"),
        ("lot-add", {"name": "n" * 41}, "41 characters"),
        ("shelve", {"hours": "73 h"}, "outside 1 min to 72 h"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field(
    key: str, change: dict[str, str], words: str
) -> None:
    """And of the other fields nothing."""
    kind = KINDS[key]
    _, errors = arguments_of(kind, filled(kind) | change)

    assert [*change] == [*errors]
    assert re.search(words, errors[next(iter(change))])
