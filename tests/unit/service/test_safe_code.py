"""Nothing that is received can become code, a command line, or a program's inside.

Read from the syntax of every module, so that no path through a test needs to meet it.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
ROOMS = ("daemon", "calibration")
MODULES = sorted(path for room in ROOMS for path in (ROOT / room).rglob("*.py"))

CALLS = {
    *("eval", "exec", "compile", "__import__", "execfile"),
    *("os.system", "os.popen", "os.spawnl", "os.spawnv", "os.execvp", "os.execve", "os.fork"),
    *("subprocess.getoutput", "subprocess.getstatusoutput", "pty.spawn"),
    *("yaml.load", "yaml.unsafe_load", "yaml.full_load"),
    *("ssl._create_unverified_context", "tempfile.mktemp"),
}
IMPORTS = {
    *("pickle", "cPickle", "_pickle", "marshal", "shelve", "dill", "cloudpickle", "jsonpickle"),
    *("code", "codeop", "pty", "commands", "pdb", "yaml", "xml"),
}
ONLY_IN = {
    "subprocess": {
        *("daemon/run.py", "daemon/cli/simulate_fleet.py"),
        "daemon/publishing/notify/sender_process.py",
    },
    "ctypes": {"daemon/clock.py"},
    "os.execv": {"daemon/cli/run.py", "daemon/cli/simulate.py"},
    "importlib.import_module": {
        *("daemon/cli/application.py", "daemon/probes/registry.py"),
        "daemon/publishing/notify/plugin.py",
    },
}
"""What a few places need: to start our own modules, to name them or a library's own, to ask the
kernel its clock."""


def dotted(node: ast.expr) -> str:
    """The name of what is called, as it stands there."""
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else "?"


def imported(node: ast.AST) -> set[str]:
    """Top-level names of what is imported, and full names of what is taken from there."""
    if isinstance(node, ast.Import):
        return {alias.name.partition(".")[0] for alias in node.names}
    if isinstance(node, ast.ImportFrom) and node.module and not node.level:
        return {node.module.partition(".")[0]} | {f"{node.module}.{n.name}" for n in node.names}
    return set()


def bad(name: str, where: str) -> bool:
    """Whether a module may not use what is called so."""
    return name in IMPORTS | CALLS or where not in ONLY_IN.get(name, {where})


def dangers(source: str, where: str = "") -> list[str]:
    """Every dangerous thing in a module, by line."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        line = getattr(node, "lineno", 0)
        found += [f"{where}:{line} imports {name}" for name in imported(node) if bad(name, where)]
        if not isinstance(node, ast.Call):
            continue
        if bad(dotted(node.func), where):
            found.append(f"{where}:{line} calls {dotted(node.func)}")
        for word in node.keywords:
            value = word.value.value if isinstance(word.value, ast.Constant) else None
            if word.arg == "shell" and value is not False:
                found.append(f"{where}:{line} takes a shell")
            if word.arg in ("verify", "verify_ssl", "check_hostname") and value is False:
                found.append(f"{where}:{line} believes anybody")
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_module_can_run_what_it_is_given(path: Path) -> None:
    """No evaluation, no pickle, no shell, no unchecked certificate."""
    source = path.read_text(encoding="utf-8")

    assert [] == dangers(source, str(path.relative_to(ROOT)))


def test_every_module_was_looked_at() -> None:
    """The search finds the rooms that take in what comes from outside."""
    found = {str(path.relative_to(ROOT)) for path in MODULES}

    assert {"daemon/journal/command_format.py", "daemon/page/application.py"} <= found
    assert len(found) > 100


@pytest.mark.parametrize(
    "source",
    [
        "eval(text)",
        "exec(text)",
        "import pickle",
        "from pickle import loads",
        "import marshal as m",
        "import os\nos.system(text)",
        "from os import system",
        "import subprocess",
        "from subprocess import run\nrun(text, shell=True)",
        "run(text, shell=flag)",
        "import yaml",
        "from importlib import import_module",
        "import os\nos.execv(program, words)",
        "__import__(text)",
        "import xml.etree.ElementTree",
        "Client(verify_ssl=False)",
        "import ctypes.util",
    ],
)
def test_the_search_sees_each_danger(source: str) -> None:
    """A check that could not fail would prove nothing."""
    assert [] != dangers(source, "daemon/publishing/x.py")
