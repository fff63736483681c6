"""What the guides show is what the program does, and what it does is in the guides."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer

from daemon.cli.application import command_tree
from daemon.cli.completion import INSTALL, SCRIPTS, SHOW
from daemon.cli.simulate import FLEET
from daemon.cli.simulate_fleet import fleet_command
from tests.docs.guides import decisions, keepers

ROOT = Path(__file__).parents[2]
GUIDES = ("README.md", "DEVELOPERS.md")
KEEPERS = keepers()
COMMANDS = "deploy/guides/commands.md"
END_OF_COMMAND = {"|", "||", "&&", ";", ">", ">>", "<", "&", "2>"}


def code_in(guide: str) -> Iterator[str]:
    """Every line of the fenced blocks, and every piece of code within the prose."""
    text = guide.replace("\\\n", " ")
    fences = re.compile(r"^```.*?\n(.*?)^```", re.MULTILINE | re.DOTALL)
    for block in fences.findall(text):
        yield from block.splitlines()
    yield from re.findall(r"`([^`\n]+)`", fences.sub("", text))


def commands_in(guide: str) -> list[list[str]]:
    """The words after `brinewright` of each command line that a guide shows."""
    found = []
    for line in code_in(guide):
        shown = re.match(r"(?:[$#] )?(?:sudo (?:-\S+ (?:\w+ )?)*)?(?:\S*/)?brinewright (.+)", line)
        if shown:
            # Brackets mark what may be left out; what stands in them must exist all the same.
            words = shlex.split(re.sub(r"[\[\]]|\.\.\.|…", " ", shown[1]), comments=True)
            ends = [at for at, word in enumerate(words) if word in END_OF_COMMAND]
            found.append(words[: ends[0]] if ends else words)
    return found


@cache
def application() -> Any:  # noqa: ANN401 - typer does not publish the type of its command tree
    """The command tree of the program, of all the verbs that are there."""
    return command_tree()


def options_of(command: Any) -> dict[str, bool]:  # noqa: ANN401 - as above
    """The options of one command by name, and whether a value follows."""
    spelled = {
        name: not getattr(option, "is_flag", False)
        for option in command.params
        for name in (*option.opts, *option.secondary_opts)
    }
    return {"--help": False, "-h": False, "--version": False} | spelled


def fault_in(words: list[str], command: Any) -> str:  # noqa: ANN401 - as above
    """What a command line asks for that the program has not; empty when all is there."""
    if words[:2] == ["simulate", FLEET]:  # the one word there that is not the simulator's
        words, command = words[2:], fleet_command()
    rest = list(words)
    while rest:
        word, options, verbs = rest.pop(0), options_of(command), getattr(command, "commands", {})
        name = word.partition("=")[0]
        if word.startswith("-") and not re.fullmatch(r"-[\d.]+", word):
            if name not in options:
                return f"no option {name}"
            if options[name] and "=" not in word and rest:
                rest.pop(0)
        elif word in verbs:
            command = verbs[word]
        elif verbs:
            # `a | b | c` and CAPITALS stand for any of the verbs.
            return "" if word.isupper() else f"no command {word}"
    return ""


@pytest.mark.parametrize("guide", [*GUIDES, "deploy/README.md", *KEEPERS, *decisions()])
def test_every_command_in_a_guide_exists(guide: str) -> None:
    """Whoever copies a line from a guide gets no "no such command" or "no such option"."""
    shown = commands_in((ROOT / guide).read_text(encoding="utf-8"))
    program = application()

    faults = {" ".join(words): fault_in(words, program) for words in shown}

    assert {} == {line: fault for line, fault in faults.items() if fault}


def usage_fault(words: list[str], program: Any) -> str:  # noqa: ANN401 - as above
    """What the program's own parser has against a command line; empty where it takes it."""
    if words[0] in (SHOW, INSTALL):  # which the program answers before it parses
        return "" if words[1:] and words[1] in SCRIPTS else "no such shell"
    try:
        program.main(list(words), prog_name="brinewright", standalone_mode=False)
    except SystemExit as exc:
        return "" if exc.code in (None, 0) else f"exit {exc.code}"
    except Exception as exc:  # noqa: BLE001 - usage errors have no common public base
        explain = getattr(exc, "format_message", None)
        return explain() if explain else repr(exc)
    return ""


def idle(command: Any) -> Any:  # noqa: ANN401 - as above
    """The same command tree, which parses and does nothing."""
    command.callback = lambda **_: None
    for each in getattr(command, "commands", {}).values():
        idle(each)
    return command


@pytest.mark.parametrize("guide", ["README.md", "deploy/README.md", *KEEPERS])
def test_every_command_of_a_keeper_s_guide_can_be_copied(guide: str) -> None:
    """Nothing is missing from a command line, and each value is one that it takes."""
    program = idle(application())
    shown = commands_in((ROOT / guide).read_text(encoding="utf-8"))

    faults = {" ".join(words): usage_fault(words, program) for words in shown}

    assert {} == {line: fault for line, fault in faults.items() if fault}


@pytest.mark.parametrize(
    "line, fault",
    [
        ("batch sheet", "Missing argument"),
        ("batch use --volume some", "valid number"),
        ("calibrate --repair", "requires an argument"),
        ("run --only measuring", "not one of"),
        ("status now", "unexpected extra argument"),
    ],
)
def test_a_command_that_lacks_something_is_found(line: str, fault: str) -> None:
    """A missing name, a value of another kind and a word too many are faults."""
    assert fault in usage_fault(line.split(), idle(application()))


def test_every_command_is_in_the_guide_to_commands() -> None:
    """A command that no guide names does not exist for its users."""
    shown = {
        words[0] for words in commands_in((ROOT / COMMANDS).read_text(encoding="utf-8")) if words
    }

    assert set() == set(application().commands) - shown


@pytest.mark.parametrize("guide", GUIDES)
def test_every_program_in_a_guide_is_there_and_runs(guide: str) -> None:
    """`deploy/demo` and its like exist where the guide says and have their run bit."""
    named = {
        name
        for line in code_in((ROOT / guide).read_text(encoding="utf-8"))
        for name in re.findall(r"(?:^|[\s./])((?:deploy|tests|\.ci)/[\w-]+)(?=\s|$)", line)
        if not (ROOT / name).is_dir()
    }

    assert named, f"{guide} names no program"
    assert set() == {name for name in named if not os.access(ROOT / name, os.X_OK)}


def test_the_reader_of_guides_finds_commands_and_faults() -> None:
    """Both ways of showing a command are read, and what does not exist is seen."""
    app = typer.Typer()
    lots = typer.Typer()
    app.add_typer(lots, name="lot")

    @app.command()
    def status(*, json: bool = False, config: str = "") -> None:
        """Show."""

    @lots.command()
    def add(name: str) -> None:
        """Add."""

    program = typer.main.get_command(app)
    guide = (
        "Ask `brinewright status --config a.toml --json`, or `brinewright lot`.\n"
        "```sh\n$ sudo -u wing brinewright lot add \\\n  L-7  # a lot\n"
        "brinewright staus\nbin/brinewright status --jsno | head\n```\n"
    )

    shown = commands_in(guide)

    assert [
        ["lot", "add", "L-7"],
        ["staus"],
        ["status", "--jsno"],
        ["status", "--config", "a.toml", "--json"],
        ["lot"],
    ] == shown
    assert ["", "no command staus", "no option --jsno", "", ""] == [
        fault_in(words, program) for words in shown
    ]
