"""Completion in bash, zsh and fish: the scripts, and the words that they ask for.

A script runs the program with `_BRINEWRIGHT_COMPLETE` set to the shell's name and the words of
the line so far, the last one unfinished.  The answer is a word a line, or nothing, which is also
the answer to everything that goes wrong: a person who is typing needs no error.
"""

from __future__ import annotations

import json
import os
import shlex
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.cli.completion_names import names
from daemon.cli.output import OK, UNAVAILABLE, USAGE, print_text, reason_of, warn
from daemon.errors import ExitCode

VARIABLE = "_BRINEWRIGHT_COMPLETE"
SHOW, INSTALL = "--show-completion", "--install-completion"
TREE = Path(__file__).with_name("completion.json")
SCRIPTS = {
    "bash": """\
# Completion of brinewright for bash.
_brinewright() {
    mapfile -t COMPREPLY < <(_BRINEWRIGHT_COMPLETE=bash "$1" "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null)
}
complete -o bashdefault -o default -F _brinewright brinewright
""",  # noqa: E501 - one line of another language
    "zsh": """\
#compdef brinewright
# Completion of brinewright for zsh.
_brinewright() {
    local -a found
    found=("${(@f)$(_BRINEWRIGHT_COMPLETE=zsh ${words[1]} "${(@)words[2,CURRENT]}" 2>/dev/null)}")
    if [[ -n ${found[1]} ]]; then compadd -Q -a found; else _files; fi
}
if [[ $funcstack[1] == _brinewright ]]; then _brinewright "$@"
else compdef _brinewright brinewright; fi
""",
    "fish": """\
# Completion of brinewright for fish.
function __brinewright_complete
    set -l word (commandline -ct)
    set -l found (env _BRINEWRIGHT_COMPLETE=fish (commandline -opc) "$word" 2>/dev/null)
    if test (count $found) -gt 0
        printf '%s\\n' $found
    else
        __fish_complete_path "$word"
    end
end
complete -c brinewright -f -a '(__brinewright_complete)'
""",
}
PLACES = {
    "bash": ("XDG_DATA_HOME", ".local/share", "bash-completion/completions/brinewright"),
    "zsh": ("XDG_DATA_HOME", ".local/share", "zsh/site-functions/_brinewright"),
    "fish": ("XDG_CONFIG_HOME", ".config", "fish/completions/brinewright.fish"),
}
"""Where each shell looks; zsh only once the folder is in its `fpath` (from memory)."""
HINTS = {
    "bash": "open a new shell; the system's package bash-completion must be there",
    "zsh": "put 'fpath+=({folder}); autoload -Uz compinit; compinit' into ~/.zshrc",
    "fish": "open a new shell",
}


@dataclass(slots=True)
class Line:
    """A command line as far as it is typed.

    Attributes:
        node: Of the tree, where the words have led.
        config: What `--config` said.
        pending: What the next word must be; None where no option asks for a value.
        count: Arguments that were given to the node.
        is_known: Whether all words could be followed.
    """

    node: Mapping[str, Any]
    config: Path | None = None
    pending: str | list[str] | None = None
    count: int = 0
    is_known: bool = True
    _option: str = field(default="", repr=False)

    def take(self, word: str) -> None:
        """Follow one whole word."""
        if self.pending is not None:
            # bash takes the sign between an option and its value for a word.
            if word != "=":
                self._take_value(word)
        elif word.startswith("-"):
            self._option, has_value, value = word.partition("=")
            kind = self.node["options"].get(self._option, "")
            self.pending = kind or None
            if has_value and kind:
                self._take_value(value)
        elif self.node["verbs"]:
            self.is_known = self.is_known and word in self.node["verbs"]
            self.node, self.count = self.node["verbs"].get(word, self.node), 0
        else:
            self.count += 1

    def _take_value(self, word: str) -> None:
        if self._option == "--config":
            self.config = Path(word).expanduser()
        self.pending = None

    def next(self) -> list[str] | str:
        """Return what may stand next: words, or the kind of a name."""
        if not self.is_known:
            return []
        if self.pending is not None:
            return self.pending
        arguments = self.node["arguments"]
        if self.node["verbs"] or self.count >= len(arguments):
            return [*self.node["verbs"]]
        kind: str | list[str] = arguments[self.count]
        return kind


def candidates(
    words: Sequence[str], tree: Mapping[str, Any], environ: Mapping[str, str]
) -> list[str]:
    """Return the words that may stand for the last one.

    Args:
        words: What follows the program's name; the last one is unfinished and may be empty.
        tree: The command line.
        environ: Of the process.
    """
    *whole, unfinished = words or [""]
    line = Line(tree)
    for word in whole:
        line.take(word)
    start = ""
    if line.pending is None and unfinished.startswith("-"):
        option, has_value, value = unfinished.partition("=")
        if not has_value:
            found: list[str] | str = sorted(line.node["options"])
            return [each for each in found if each.startswith(unfinished)]
        line.take(option)
        start, unfinished = f"{option}=", value
    elif unfinished == "=":
        unfinished = ""
    found = line.next()
    if isinstance(found, str):
        found = names(found, line.config, environ)
    return [f"{start}{each}" for each in found if each.startswith(unfinished)]


def answer(words: Sequence[str], environ: Mapping[str, str]) -> None:
    """Print the words that may stand for the last one, or nothing."""
    with suppress(Exception):
        found = candidates(words, json.loads(TREE.read_text(encoding="utf-8")), environ)
        quoted = found if environ[VARIABLE] == "fish" else map(shlex.quote, found)
        # Even an empty line would be a word.
        for each in quoted:
            if each.isprintable():
                print_text(each)


def command(words: Sequence[str]) -> ExitCode:
    """Show or install the script of a shell; return the exit code.

    Args:
        words: `SHOW` or `INSTALL`, and the shell's name; without it that of `SHELL`.
    """
    option, _, named = words[0].partition("=")
    shell = named or (words[1] if words[1:] else Path(os.environ.get("SHELL", "")).name)
    if shell not in SCRIPTS:
        warn(f"there is no completion for the shell {shell!r}; name one of {', '.join(SCRIPTS)}")
        return USAGE
    if option == SHOW:
        sys.stdout.write(SCRIPTS[shell])
        return OK
    variable, below_home, name = PLACES[shell]
    base = os.environ.get(variable, "")
    path = (Path(base) if base.startswith("/") else Path.home() / below_home) / name
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(SCRIPTS[shell], encoding="utf-8")
    except OSError as exc:
        warn(f"{path} cannot be written: {reason_of(exc)}; see 'brinewright {SHOW} {shell}'")
        return UNAVAILABLE
    print_text(f"written to {path}")
    print_text(HINTS[shell].format(folder=path.parent))
    return OK
