"""A draft validates, marks what is not known, and never becomes a configuration on its own."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from daemon.config import parse
from daemon.errors import InputError
from daemon.probes.draft import Answer, draft_faults, draft_section
from daemon.probes.draft.answers import device_answer, free_name, person_answers, with_more
from daemon.probes.draft.new_file import write_new
from daemon.probes.draft.section_draft import drivers, toml
from daemon.probes.inventory import Connection, Way
from daemon.probes.registry import MODULES, SECTIONS
from tests.parts.configurations import configuration

PORT = Connection(Way.SERIAL, "/dev/serial/by-id/usb-Q-12", ("/dev/ttyUSB0",), "", ("line",))


def table_of(text: str) -> dict[str, Any]:
    """The one section of a draft."""
    whole = tomllib.loads(text)
    found = whole["input"] if "input" in whole else whole["reservoir"]["probe"]
    (table,) = found
    return dict(table)


def test_every_driver_can_be_drafted() -> None:
    """A driver without an example has no draft."""
    assert sorted(MODULES) == sorted(drivers())


@pytest.mark.parametrize("driver", sorted(MODULES))
@pytest.mark.parametrize("as_input", [False, True])
def test_a_draft_without_answers_validates_and_marks_everything(
    driver: str, *, as_input: bool
) -> None:
    """As a probe and as an input; each example is marked, and each line has its meaning above."""
    draft = draft_section(driver, "ct-1", {}, as_input=as_input)
    table = table_of(draft.text)

    assert [] == draft_faults(draft)
    assert table == table_of(draft.brief)
    assert {*draft.unsure, "name", "driver"} == set(table)
    assert draft.text.count("CHECK:") == len(draft.unsure)
    lines = draft.text.splitlines()
    keys = [number for number, line in enumerate(lines) if line[:1].isalpha()][2:]
    assert all(lines[number - 1].startswith("#") for number in keys)
    assert [] == [line for line in lines if len(line) > 80 and line.startswith("# ")]


def test_what_is_known_is_not_marked() -> None:
    """An answer stands as it was given, with the doubt that it was given with."""
    answers = {"port": Answer("/dev/ttyUSB0"), "baud": Answer(19200, "heard once")}
    draft = draft_section("line", "ct-7", answers)
    table = table_of(draft.text)

    assert ("ct-7", "/dev/ttyUSB0", 19200) == (table["name"], table["port"], table["baud"])
    assert "port" not in draft.unsure
    assert "# CHECK: heard once.\nbaud = 19200" in draft.text


def test_optional_keys_are_there_as_comments_with_their_defaults() -> None:
    """So that a person sees what there is."""
    text = draft_section("line", "ct-1", {}).text

    for line in ("# stopbits = 1", "# baud = 9600", "# period_s = 2.0", "# request = ..."):
        assert line in text.splitlines()


def test_an_instrument_without_conductivity_is_an_input() -> None:
    """A thermometer is no probe of a reservoir; its units and its compensation are left out."""
    reply = {"reply": Answer("(?P<temperature>[\\d.]+)")}
    draft = draft_section("line", "thermo-1", reply)
    table = table_of(draft.text)

    assert draft.text.startswith("[[input]]")
    assert {"temperature": "degC"} == table["units"]
    assert "compensation" not in table
    assert [] == draft_faults(draft)


def test_a_probe_without_a_thermometer_validates_with_an_input_beside_it() -> None:
    """That the input exists is for the person to see to."""
    answers = {
        "reply": Answer("(?P<conductivity>[\\d.]+)"),
        "temperature_from": Answer("thermo-1", "name it"),
    }
    draft = draft_section("line", "ct-1", answers)

    assert [] == draft_faults(draft)
    assert "needs" not in table_of(draft.text)


def test_an_answer_that_is_not_allowed_is_a_fault() -> None:
    """Its sentence is that of a configuration."""
    (fault,) = draft_faults(draft_section("line", "ct-1", {"baud": Answer(5)}))

    assert "baud = 5 is not allowed; give a whole number from 300 to 921600 Bd" in fault


@pytest.mark.parametrize(
    "value",
    [
        True,
        12,
        2.5,
        "plain",
        "READ?\r\n",
        "it's \\d",
        "(?P<x>\\d+)",
        'a "b" µ',
        {"a": 1, "b": {"c": [1, 2]}},
        "\x01\x1f",
        "\U000e0001",
    ],
)
def test_every_value_is_written_as_toml_reads_it(value: object) -> None:
    """Texts with quotes, backslashes and control characters too."""
    assert {"value": value} == tomllib.loads(f"value = {toml(value)}")


def test_what_toml_has_no_value_for_is_an_error() -> None:
    """Nothing is not written."""
    with pytest.raises(TypeError):
        toml(None)


def test_answers_of_a_person_are_values_of_toml_or_texts() -> None:
    """With a point for a key within a table."""
    answers = person_answers(
        ["baud=19200", 'parity="E"', "request=READ?", "units.temperature=degF", "units.x=1"]
    )

    assert {
        "baud": 19200,
        "parity": "E",
        "request": "READ?",
        "units": {"temperature": "degF", "x": 1},
    } == {key: each.value for key, each in answers.items()}


@pytest.mark.parametrize("pair", ["baud", "=5", "a b=1", "units.=1"])
def test_an_answer_without_key_or_value_is_refused(pair: str) -> None:
    """With the answer and an example."""
    with pytest.raises(InputError, match="such as baud=19200"):
        person_answers([pair])


def test_an_answer_within_a_value_is_refused() -> None:
    """A number has no keys."""
    with pytest.raises(InputError, match="value of its own"):
        person_answers(["units=1", "units.temperature=degC"])


def test_the_one_port_that_is_free_is_proposed_and_doubted() -> None:
    """Of two, none is; one that is in use is not; a person's word needs no doubt if it is there."""
    proposed = device_answer("line", None, [PORT])["port"]
    used = Connection(Way.SERIAL, "/dev/ttyS0", (), "", ("line",), ("probe ct-1 of mix-1",))
    second = Connection(Way.SERIAL, "/dev/ttyS1", (), "", ("line",))

    assert (PORT.name, True) == (proposed.value, bool(proposed.unsure))
    assert PORT.name == device_answer("line", None, [PORT, used])["port"].value
    assert {} == device_answer("line", None, [PORT, second])
    assert "" == device_answer("line", "/dev/ttyUSB0", [PORT])["port"].unsure
    assert "not connected" in device_answer("line", "/dev/ttyUSB9", [PORT])["port"].unsure
    assert 1 == device_answer("i2c", "1", [])["bus"].value


def test_a_name_is_one_that_the_configuration_does_not_have() -> None:
    """Neither as a probe nor as an input."""
    probe = draft_section("line", "ct-1", {}).text
    config = parse(configuration(probe), Path("x.toml"), SECTIONS)

    assert ("ct-2", "thermo-1") == (free_name("line", config), free_name("onewire", config))
    assert "ct-1" == free_name("line", None)


def test_later_answers_hold_and_tables_are_put_together() -> None:
    """What a person says comes after what was found."""
    first = {"units": Answer({"conductivity": "uS/cm", "temperature": "degC"}), "baud": Answer(1)}
    later = {"units": Answer({"temperature": "degF"}), "baud": Answer(2)}

    assert {
        "units": Answer({"conductivity": "uS/cm", "temperature": "degF"}),
        "baud": Answer(2),
    } == with_more(first, later)


def test_a_draft_is_written_into_a_new_file_alone(tmp_path: Path) -> None:
    """An existing one stays as it is."""
    path = tmp_path / "draft.toml"
    write_new(path, "one")
    with pytest.raises(InputError, match="overwrites nothing"):
        write_new(path, "two")

    assert "one" == path.read_text()


def test_a_draft_is_not_written_where_a_configuration_is_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither where there is none yet: the service would take it for its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    (tmp_path / "own/brinewright").mkdir(parents=True)
    named = tmp_path / "named.toml"
    for path in (
        tmp_path / "brinewright.toml",
        tmp_path / "own/brinewright/brinewright.toml",
        named,
    ):
        with pytest.raises(InputError, match="looked for"):
            write_new(path, "draft", named)
        assert not path.exists()
