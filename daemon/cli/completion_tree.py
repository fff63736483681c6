"""The command line as plain data, for completion: which words may stand where.

    python -m daemon.cli.completion_tree

writes it to `completion.json` beside this module, so that a shell that completes need not wait
for every room to be loaded.  A test holds the file to the program.
"""

from __future__ import annotations

import json
from enum import Enum
from pathlib import Path
from typing import Any, TypeAlias

from daemon.cli.application import command_tree
from daemon.cli.completion import SCRIPTS
from daemon.cli.completion_names import KINDS
from daemon.cli.simulate import FLEET
from daemon.cli.simulate_fleet import fleet_command

FILE = Path(__file__).with_name("completion.json")
FLAG, TEXT, PATH = "", "text", "file"
SHELL_OPTIONS = ("_show_completion", "_install_completion")
Kind: TypeAlias = "str | list[str]"
"""Of a value: the words that it may be, or what it names; `FLAG` where none follows."""


def tree() -> dict[str, Any]:
    """Return the command line: verbs, options with what follows them, and arguments."""
    found = _node(command_tree(), "")
    found["verbs"]["simulate"] = _simulate()
    return found


def text(of: dict[str, Any]) -> str:
    """Return the command line as the file holds it."""
    return json.dumps(of, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _node(command: Any, room: str) -> dict[str, Any]:  # noqa: ANN401 - typer publishes no type
    options: dict[str, Kind] = {"--help": FLAG}
    arguments: list[Kind] = []
    for each in command.params:
        if each.param_type_name == "argument":
            arguments.append(_kind(each, room))
            continue
        kind = FLAG if each.is_flag else _kind(each, room)
        options |= dict.fromkeys((*each.opts, *each.secondary_opts), kind)
    verbs = getattr(command, "commands", {})
    return {
        "options": options,
        "arguments": arguments,
        "verbs": {name: _node(each, room or name) for name, each in verbs.items()},
    }


def _kind(parameter: Any, room: str) -> Kind:  # noqa: ANN401 - as above
    """Return what a value is: choices, the kind of a name, a file, or any text."""
    annotation = parameter.type_descriptor.annotation
    if parameter.name in SHELL_OPTIONS:
        return [*SCRIPTS]
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [str(each.value) for each in annotation]
    if room == "alarm" and parameter.name == "name":
        return "alarm"
    if room == "lot" and parameter.name == "name":
        return "lot"
    if parameter.name in KINDS:
        return str(parameter.name)
    return PATH if annotation is Path else TEXT


def _simulate() -> dict[str, Any]:
    """Return the words of the simulator, another program with a parser of its own, and ours."""
    leaf = {"options": {"--help": FLAG}, "verbs": {}, "arguments": [TEXT]}
    verbs = dict.fromkeys(("list", "play", "record", "repeat"), leaf)
    return {
        "options": {"--help": FLAG},
        "arguments": [],
        "verbs": verbs | {FLEET: _node(fleet_command(), FLEET)},
    }


if __name__ == "__main__":
    FILE.write_text(text(tree()), encoding="utf-8")
