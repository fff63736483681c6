"""Completion: which words are offered, in a real shell, quickly and without a word of complaint."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import completion, completion_names, completion_tree
from daemon.cli.main import invoke
from daemon.config.loading import USUAL_PLACES
from daemon.config.places import SERVICE_JOURNAL, own_configuration, own_journal
from daemon.journal.checkpoint import dump
from daemon.journal.writer import Writer
from daemon.mixing.batch.lots import Lot
from tests.parts.stories import a_station

ROOT = Path(__file__).parents[3]
CONFIG = """
[station]
name = "wing"
[journal]
path = "wing.db"
[[reservoir]]
name = "mix-1"
[[reservoir.probe]]
name = "ct-1"
[[reservoir.probe]]
name = "ct-2"
[[reservoir]]
name = "mix-2"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration that is unfinished: it has names all the same."""
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def tree() -> dict[str, Any]:
    """The command line as the file holds it."""
    found: dict[str, Any] = json.loads(completion_tree.FILE.read_text(encoding="utf-8"))
    return found


def offered(*words: str) -> list[str]:
    """What may stand for the last of these words."""
    return completion.candidates(words, tree(), {"HOME": "/nowhere"})


@pytest.mark.parametrize(
    "words, among",
    [
        ([""], {"run", "replay", "status", "batch", "calibrate", "alarm"}),
        (["ba"], {"batch", "backup"}),
        (["--sh"], {"--show-completion"}),
        (["--install-completion", ""], {"bash", "zsh", "fish"}),
        (["batch", "s"], {"start", "show", "sheet"}),
        (["batch", "start", "--m"], {"--mass"}),
        (["export", "re"], {"readings"}),
        (["export", "--format", ""], {"csv", "jsonl"}),
        (["export", "--format=j"], {"--format=jsonl"}),
        (["status", "--reservoir", ""], {"mix-1", "mix-2"}),
        (["status", "--reservoir=mix-2"], {"--reservoir=mix-2"}),
        (["status", "--reservoir", "="], {"mix-1", "mix-2"}),
        (["status", "--reservoir", "=", "mix"], {"mix-1", "mix-2"}),
        (["calibrate", "--probe", "ct"], {"ct-1", "ct-2"}),
        (["alarm", "ack", "batch-o"], {"batch-off-target"}),
        (["alarm", "ack", "--reservoir", "mix-1", "batch-o"], {"batch-off-target"}),
        (["simulate", "re"], {"record", "repeat"}),
        (["simulate", "fleet", "--st"], {"--stations"}),
    ],
)
def test_what_may_stand_next_is_offered(folder: Path, words: list[str], among: set[str]) -> None:
    """Verbs, options, choices, and names of the configuration."""
    found = offered(*words)

    assert among <= set(found)
    assert all(each.startswith(words[-1].removeprefix("=")) for each in found)


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense", ""],
        ["batch", "nonsense", ""],
        ["replay", ""],
        ["status", "--config", ""],
        ["salinity", "--conductivity", ""],
        ["batch", "list", "one", "too", "many", ""],
        ["status", "--reservoir", "mix-9"],
    ],
)
def test_where_nothing_is_known_nothing_is_offered(folder: Path, words: list[str]) -> None:
    """So that the shell completes files, or nothing."""
    assert [] == offered(*words)


def test_another_configuration_is_looked_into(folder: Path, tmp_path: Path) -> None:
    """That which the line names."""
    other = tmp_path / "other.toml"
    other.write_text('[[reservoir]]\nname = "vat"\n')

    assert ["vat"] == offered("status", "--config", str(other), "--reservoir", "")
    assert ["vat"] == offered("status", f"--config={other}", "--reservoir", "")


@pytest.mark.parametrize("text", ["", "[[reservoir]]", "reservoir = 3", "= ? \x00", "[reservoir]"])
def test_a_configuration_that_cannot_be_read_has_no_names(folder: Path, text: str) -> None:
    """Nor a complaint."""
    (folder / "brinewright.toml").write_text(text)

    assert [] == offered("status", "--reservoir", "")
    assert [] == offered("lot", "show", "")


def test_lots_come_from_the_journal(folder: Path) -> None:
    """Where a person has recorded them."""
    station = a_station()
    station.state.lots |= {name: Lot(name) for name in ("red-9", "blue 7")}
    with Writer(folder / "wing.db") as writer:
        writer.append([], 0.0, {}, dump(station.state))

    assert ["blue 7", "red-9"] == offered("lot", "show", "")
    assert ["red-9"] == offered("batch", "start", "--lot", "r")


def test_a_journal_that_is_none_has_no_lots(folder: Path) -> None:
    """It may be missing, or anything else."""
    assert [] == offered("lot", "show", "")
    (folder / "wing.db").write_text("nothing of the kind")
    assert [] == offered("lot", "show", "")


def test_completion_looks_where_the_program_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The places that it has of its own, to be quick, are the same."""
    for environ in ({}, {"XDG_CONFIG_HOME": "/x", "XDG_STATE_HOME": "/y"}):
        for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME"):
            monkeypatch.delenv(name, raising=False)
        for name, value in environ.items():
            monkeypatch.setenv(name, value)
        own = own_configuration()
        assert [*USUAL_PLACES, own] == completion_names.configurations(os.environ)
        assert [SERVICE_JOURNAL, own_journal()] == [
            *completion_names.journals({}, Path("brinewright.toml"), os.environ)
        ]


# --- in a shell ---------------------------------------------------------------------------------


def program(folder: Path) -> Path:
    """A program `brinewright` in a folder of its own, as an installation has one."""
    path = folder / "bin" / "brinewright"
    path.parent.mkdir()
    path.write_text(
        f"#!{sys.executable}\nimport sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "from daemon.cli.main import main\nmain()\n"
    )
    path.chmod(0o755)
    return path


def bash(folder: Path, script: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Complete the last word of a line in a real bash, and print what it would offer."""
    (folder / "script").write_text(script)
    asked = (
        'source ./script; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1));'
        '_brinewright "$1"; printf "%s\\n" "${COMPREPLY[@]}"; complete -p brinewright'
    )
    return subprocess.run(
        ["bash", "--norc", "-c", asked, "-", str(folder / "bin" / "brinewright"), *words],
        cwd=folder, capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip


def test_bash_completes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The script that is shown registers itself, and offers what the program says."""
    program(folder)
    assert 0 == invoke(["--show-completion", "bash"])
    done = bash(folder, capsys.readouterr().out, "status", "--reservoir", "mi")

    assert "" == done.stderr
    assert [
        "mix-1",
        "mix-2",
        "complete -o bashdefault -o default -F _brinewright brinewright",
    ] == done.stdout.splitlines()


@pytest.mark.parametrize("words", [["nonsense", ""], ["status", "--config", ""], ['"', "'"]])
def test_bash_is_left_to_complete_files(folder: Path, words: list[str]) -> None:
    """No word, no empty word and no error where the program has nothing to offer."""
    program(folder)
    done = bash(folder, completion.SCRIPTS["bash"] + "printf '%s' '';\n", *words)

    assert "" == done.stderr
    assert ["", "complete -o bashdefault -o default -F _brinewright brinewright"] == (
        done.stdout.splitlines()
    )


def cpu_s() -> float:
    """Seconds of processor time that the processes we started have taken."""
    times = os.times()
    return times.children_user + times.children_system


def test_an_answer_is_quick_and_loads_little(folder: Path) -> None:
    """Neither the parser of the command line nor any room is loaded for it."""
    code = (
        "import sys, os; os.environ['_BRINEWRIGHT_COMPLETE'] = 'bash'\n"
        "from daemon.cli import main, completion\n"
        "completion.answer(['status', '--reservoir', ''], os.environ)\n"
        "print(sorted({'typer', 'pydantic', 'numpy', 'rich'} & set(sys.modules)))\n"
    )
    began_s = cpu_s()
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    used_s = cpu_s() - began_s

    assert ["mix-1", "mix-2", "[]"] == done.stdout.splitlines()
    assert "" == done.stderr
    assert used_s < 0.5


def test_names_with_blanks_are_quoted_for_the_shell(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Fish quotes by itself."""
    (folder / "brinewright.toml").write_text('[[reservoir]]\nname = "a b"\n')
    for shell in ("bash", "fish"):
        completion.answer(["status", "--reservoir", ""], {"_BRINEWRIGHT_COMPLETE": shell})

    assert ["'a b'", "a b"] == capsys.readouterr().out.splitlines()


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_the_script_is_one_of_its_shell(shell: str, tmp_path: Path) -> None:
    """The shell itself finds no fault in it, where it is installed."""
    path = tmp_path / "script"
    path.write_text(completion.SCRIPTS[shell])
    assert "_BRINEWRIGHT_COMPLETE" in completion.SCRIPTS[shell]
    if found := shutil.which(shell):
        done = subprocess.run([found, "-n", path], capture_output=True, text=True, check=False)
        assert (0, "") == (done.returncode, done.stderr)


@pytest.mark.parametrize(
    "shell, place",
    [
        ("bash", "data/bash-completion/completions/brinewright"),
        ("zsh", "data/zsh/site-functions/_brinewright"),
        ("fish", "config/fish/completions/brinewright.fish"),
    ],
)
def test_completion_is_installed_where_the_shell_looks(
    shell: str,
    place: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """For this user alone; what else there is to do is said."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("SHELL", f"/usr/bin/{shell}")

    assert 0 == invoke(["--install-completion"])
    assert completion.SCRIPTS[shell] == (tmp_path / place).read_text()
    said = capsys.readouterr().out.splitlines()
    assert f"written to {tmp_path / place}" == said[0]
    assert 2 == len(said)


def test_a_shell_that_is_not_known_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """With those that are."""
    assert 2 == invoke(["--show-completion", "csh"])
    assert "for the shell 'csh'; name one of bash, zsh, fish." in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a sentence that says how to go on."""
    (tmp_path / "data").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))

    assert 69 == invoke(["--install-completion=bash"])
    assert "see 'brinewright --show-completion bash'" in capsys.readouterr().err
