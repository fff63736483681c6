"""What the pages show can be copied: shell lines, configurations, JSON, names of files."""

from __future__ import annotations

import json
import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from daemon.config import parse
from daemon.probes.registry import SECTIONS
from tests.docs.guides import ROOT, Block, blocks, keepers, pages, text_of

READERS = ["README.md", "deploy/README.md", *keepers()]
"""Pages whose blocks a keeper copies."""
LONGEST_LINES = {"README.md": 130, "DEVELOPERS.md": 250, "deploy/README.md": 150}
LONGEST_GUIDE_LINES = 149
OF_THE_SYSTEM = {
    *(
        "apt",
        "cd",
        "chown",
        "cp",
        "curl",
        "docker",
        "exit",
        "getconf",
        "git",
        "id",
        "install",
        "journalctl",
        "ls",
    ),
    *("nano", "reboot", "scp", "ssh", "systemctl", "timedatectl", "usermod"),
}
"""Programs of Debian or of the shell: they are not ours to test."""
OURS = re.compile(r"(?:\S*/)?brinewright(?: |$)")

STATION = '[station]\nname = "quarantine-wing"\n'
RESERVOIR = (
    '[[reservoir]]\nname = "mix-1"\ncapacity_l = 220\nfill_l = 180\n'
    "target_ppt = 34.0\ntolerance_ppt = 1.0\n"
)
PROBE = (
    '[[reservoir.probe]]\nname = "ct-1"\ndriver = "line"\nport = "/dev/ttyUSB0"\n'
    "reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'\n"
    'units = { conductivity = "uS/cm", temperature = "degC" }\ncompensation = "none"\n'
)
JOURNAL = '[journal]\npath = "journal.db"\n'


def all_blocks(language: str) -> list[Block]:
    """Every block in one language of the pages for keepers."""
    return [block for page in READERS for block in blocks(page, language)]


def commands_of(line: str) -> list[str]:
    """The commands of one shell line, without `sudo` and its options."""
    return [
        re.sub(r"^sudo (?:-u \w+ |[A-Z_]+=\S+ )?", "", part.strip()) for part in line.split("&&")
    ]


def unknown_program(command: str) -> str:
    """The program of a command where it is none that is known; empty where it is."""
    name = command.split(maxsplit=1)[0]
    if OURS.match(command) or name in OF_THE_SYSTEM:
        return ""
    if re.match(r"python3? -m pip ", command):
        return ""
    return "" if os.access(ROOT / name, os.X_OK) and (ROOT / name).is_file() else name


@pytest.mark.parametrize("block", all_blocks("sh"), ids=str)
def test_every_shell_line_begins_with_a_program_that_exists(block: Block) -> None:
    """It is ours, a program of this repository, or one that the list of the system's names."""
    unknown = [unknown_program(each) for line in block.lines for each in commands_of(line)]

    assert [] == [name for name in unknown if name]


def test_a_program_that_does_not_exist_is_noticed() -> None:
    """The check above can fail: for another program, a misspelt one, a folder."""
    assert ["deploy/instal", "deploy", "mosquitto_pub", ""] == [
        unknown_program(each)
        for each in ("deploy/instal --upgrade", "deploy", "mosquitto_pub -t x", "deploy/install")
    ]


@pytest.mark.parametrize("program", ["deploy/install", "deploy/demo", "tests/run"])
def test_every_option_of_a_program_that_a_page_shows_is_in_its_usage(program: str) -> None:
    """`deploy/install --upgrade` and its like are options that the program names itself."""
    usage = (ROOT / program).read_text(encoding="utf-8").split("set -", 1)[0]
    shown = {
        option
        for page in READERS
        for words in re.findall(rf"{program}((?: [^\s`]+)*)", text_of(page))
        for option in re.findall(r"(--[a-z-]+)", words)
    }

    assert shown, f"no page shows {program} with an option"
    assert set() == {option for option in shown if option not in usage}


def completed(text: str) -> str:
    """A configuration that holds a block: what the block lacks is put before it."""
    has = set(re.findall(r"^\[+([\w.]+)\]+", text, re.MULTILINE))
    parts = [STATION if "station" not in has else "", JOURNAL if "journal" not in has else ""]
    if "reservoir" not in has:
        parts.append(RESERVOIR)
        parts.append(PROBE if "reservoir.probe" not in has else "")
    return "".join(parts) + text


@pytest.mark.parametrize("block", all_blocks("toml"), ids=str)
def test_every_configuration_that_a_page_shows_loads(block: Block, tmp_path: Path) -> None:
    """Whoever copies a section into the file gets no fault."""
    config = parse(completed(block.text), tmp_path / "brinewright.toml", SECTIONS)
    given = tomllib.loads(block.text)

    assert "quarantine-wing" == config.station.name
    assert given.keys() - {"station", "reservoir", "journal"} <= set(config.model_fields_set) | {
        field.alias for field in type(config).model_fields.values()
    }


@pytest.mark.parametrize("block", all_blocks("json"), ids=str)
def test_every_line_of_json_that_a_page_shows_is_an_object(block: Block) -> None:
    """A command that is copied is one."""
    assert all(isinstance(json.loads(line), dict) for line in block.text.splitlines())


@pytest.mark.parametrize("page", [page for page in pages() if page != "deploy/CHANGELOG.md"])
def test_a_page_is_short_enough_to_be_read(page: str) -> None:
    """README 130 lines, DEVELOPERS 250, a guide below 150."""
    assert len(text_of(page).splitlines()) <= LONGEST_LINES.get(page, LONGEST_GUIDE_LINES)


def test_the_first_pages_lead_to_every_guide() -> None:
    """README or DEVELOPERS: no guide is left that only its author knows of."""
    first = text_of("README.md") + text_of("DEVELOPERS.md")

    assert [] == [guide for guide in keepers() if f"({guide}" not in first]


@pytest.mark.parametrize("program", ["deploy/demo", "tests/run", "deploy/install"])
def test_a_program_of_the_pages_is_valid_shell(program: str) -> None:
    """Bash reads it to its end."""
    done = subprocess.run(
        ["bash", "-n", ROOT / program], capture_output=True, text=True, check=False
    )

    assert (0, "") == (done.returncode, done.stderr)
