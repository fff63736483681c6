"""`brinewright probe draft` prints a section or writes a new file, and changes nothing else."""

from __future__ import annotations

import ast
import json
import tomllib
from pathlib import Path

import pytest

from tests.docs.guides import ROOT
from tests.parts.configurations import configuration
from tests.parts.every_verb import run_here
from tests.parts.talking import Saying, talking

WRITERS = {"write", "write_text", "write_bytes", "open", "replace", "rename", "unlink"}
"""Calls by which a file could come to hold something."""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration that is in use."""
    path = tmp_path / "brinewright.toml"
    path.write_text(configuration(), encoding="utf-8")
    return path


def test_a_section_is_printed(config: Path) -> None:
    """With how to use it; and nothing is written."""
    before = config.read_bytes()
    answered = run_here(["probe", "draft", "line", "/dev/ttyUSB0", "--config", str(config)])
    (probe,) = tomllib.loads(answered.out)["reservoir"]["probe"]

    assert (0, "") == (answered.code, answered.err)
    assert ("line", "/dev/ttyUSB0") == (probe["driver"], probe["port"])
    assert [config] == list(config.parent.iterdir())
    assert before == config.read_bytes()


def test_a_new_file_is_written_and_the_configuration_is_not(config: Path) -> None:
    """Not even when it is named, or the file is there already."""
    out, before = config.with_name("draft.toml"), config.read_bytes()
    words = ["probe", "draft", "line", "--config", str(config), "--out"]
    written = run_here([*words, str(out)])
    again = run_here([*words, str(out)])
    into = run_here([*words, str(config)])

    assert (0, 2, 2) == (written.code, again.code, into.code)
    assert "no configuration was changed" in written.out
    assert "overwrites nothing" in again.err
    assert "looked for" in into.err
    assert before == config.read_bytes()
    assert "line" == tomllib.loads(out.read_text())["reservoir"]["probe"][0]["driver"]


def test_answers_are_taken_and_wrong_ones_refused(config: Path) -> None:
    """As a configuration would refuse them."""
    words = ["probe", "draft", "line", "--json", "--config", str(config)]
    right = run_here([*words, "--set", "baud=19200", "--set", "parity=E", "--name", "ct-9"])
    wrong = run_here([*words, "--set", "baud=1"])
    section = tomllib.loads(json.loads(right.out)["section"])["reservoir"]["probe"][0]

    assert (19200, "E", "ct-9") == (section["baud"], section["parity"], section["name"])
    assert (2, 1) == (wrong.code, len(wrong.sentences))
    assert "baud = 1 is not allowed" in wrong.err


def test_a_driver_that_does_not_exist_is_a_usage_error(config: Path) -> None:
    """With those there are."""
    answered = run_here(["probe", "draft", "lines", "--config", str(config)])

    assert 2 == answered.code
    assert "there are gpio, i2c" in answered.err


def test_a_line_can_be_listened_to_first(tmp_path: Path, config: Path) -> None:
    """Pattern, units and period come from what it says; silence and another driver are refused."""
    words = ["probe", "draft", "--config", str(config), "--listen", "1.0", "--json"]
    speaker = Saying(lambda n: b"52.5%d mS/cm 24.0%d C\r\n" % (n % 7, n % 3), 0.2)
    with talking(tmp_path / "tty", speaker) as port:
        answered = run_here([*words, "line", str(port)])
    with talking(tmp_path / "tty", Saying()) as port:
        silent = run_here([*words[:-2], "0.2", "line", str(port)])
    other = run_here([*words, "i2c"])
    section = tomllib.loads(json.loads(answered.out)["section"])["reservoir"]["probe"][0]

    assert {"conductivity": "mS/cm", "temperature": "degC"} == section["units"]
    assert "(?P<conductivity>" in section["reply"]
    assert (2, 2) == (silent.code, other.code)
    assert "gives no pattern" in silent.err


@pytest.mark.parametrize("request_text", ["READ?\\n", '"READ?\\n"', "READ?\n"])
def test_a_request_that_is_set_is_sent_with_its_line_end(
    tmp_path: Path, config: Path, request_text: str
) -> None:
    """However a shell passes it; and the section has the same request."""
    speaker = Saying(answer=lambda data: b"52.51,24.02\r\n" if data == b"READ?\n" else b"")
    words = ["probe", "draft", "--config", str(config), "--listen", "0.6", "--json"]
    with talking(tmp_path / "tty", speaker) as port:
        answered = run_here([*words, "--set", f"request={request_text}", "line", str(port)])
    section = tomllib.loads(json.loads(answered.out)["section"])["reservoir"]["probe"][0]

    assert "READ?\n" == section["request"]
    assert "(?P<conductivity>" in section["reply"]


def test_only_one_place_of_finding_trying_and_drafting_writes_a_file() -> None:
    """And that one opens a file that must be new."""
    rooms = ("inventory", "trial", "draft")
    files = [path for room in rooms for path in (ROOT / "daemon/probes" / room).glob("*.py")]
    files += [*(ROOT / "daemon/cli").glob("probe*.py"), ROOT / "daemon/probes/listening.py"]
    writing = {
        (path.name, ast.unparse(call))
        for path in files
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and call.func.attr in WRITERS
        # A text's `replace` has two arguments, a path's has one.
        and not (call.func.attr == "replace" and len(call.args) > 1)
    }
    harmless = {
        # A file of the kernel to be read, the device of a chip to be asked, a port and a request.
        *("path.open(encoding='utf-8', errors='replace')", "os.open(path, os.O_RDONLY"),
        *("transport.open(begin_s)", "transport.write(asking.request)"),
        # Into the file that was opened as a new one.
        "file.write(text)",
    }

    assert len(files) > 15
    assert {("new_file.py", "path.open('x', encoding='utf-8')")} == {
        (name, call) for name, call in writing if not any(part in call for part in harmless)
    }
