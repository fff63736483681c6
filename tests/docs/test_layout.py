"""The repository keeps its shape, and says nothing about the machines it was made on."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
TOP_LEVEL = re.compile(
    r"README\.md|DEVELOPERS\.md|pyproject\.toml|daemon|calibration|tests|deploy|simulators"
    r"|LICENSE.*|\..*"
)
LONGEST_MODULE_LINES = 400
# Written in pieces, so that this file does not accuse itself.
MACHINE_PATHS = re.compile(r"(?<![\w.])/(work|root|home/\w+|tmp/venv)" + r"/")
REGISTRY_HOSTS = re.compile(
    r"(py" + r"pi|pythonhosted|piwheels|npmjs|debian)\.(org|com|io)", re.IGNORECASE
)


def files_below(root: Path) -> list[Path]:
    """Every file of a source tree, relative to its root; needs no git, so that an archive will do.

    What `.gitignore` names there is left out.
    """
    found: list[Path] = []
    left_out = ignored(root)
    for folder, folders, names in os.walk(root):
        here = Path(folder).relative_to(root)
        folders[:] = sorted(name for name in folders if not left_out(here / name, True))
        found += [here / name for name in sorted(names) if not left_out(here / name, False)]
    return found


def ignored(root: Path) -> Callable[[Path, bool], bool]:
    """Whether `.gitignore` leaves out a file, or with true a folder: gitignore(5), as far as used.

    Raises:
        AssertionError: It has a line that is not understood here.
    """
    lines = (root / ".gitignore").read_text(encoding="utf-8").split()
    assert [] == [line for line in lines if re.search(r"[!#\\]|.+/.", line.lstrip("/"))]

    def left_out(path: Path, is_folder: bool) -> bool:  # noqa: FBT001
        return path.name == ".git" or any(
            fnmatchcase(f"/{path}" if line.startswith("/") else path.name, line.rstrip("/"))
            for line in lines
            if is_folder or not line.endswith("/")
        )

    return left_out


def sources() -> list[Path]:
    """Every file of the project."""
    return files_below(ROOT)


def texts() -> Iterator[tuple[Path, str]]:
    """Every file of the project that is text, with what it says."""
    for path in sources():
        try:
            yield path, (ROOT / path).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


def lines_with(pattern: re.Pattern[str]) -> list[str]:
    """Where the pattern occurs in what is text, as file:line."""
    return [
        f"{path}:{number}"
        for path, text in texts()
        for number, line in enumerate(text.splitlines(), start=1)
        if pattern.search(line)
    ]


def modules() -> list[Path]:
    """Every Python file."""
    return [path for path in sources() if path.suffix == ".py"]


def test_the_search_sees_the_repository() -> None:
    """The checks below look at something: the project's own files are among what they read."""
    seen = {str(path) for path, _ in texts()}

    assert {"pyproject.toml", "tests/run", "daemon/entries.py"} <= seen


def test_what_is_made_on_the_way_is_left_out(tmp_path: Path) -> None:
    """Environments, caches and journals are none of the sources, with git and without."""
    (tmp_path / ".gitignore").write_text((ROOT / ".gitignore").read_text(encoding="utf-8"))
    made = (
        ".git/config", ".venv-tests/lib/x.py", "daemon/__pycache__/x.pyc", "x.pyc", "a/b.db",
        "brinewright.toml", ".hypothesis/x", "build/x.py",
    )  # fmt: skip
    kept = ("daemon/build.py", "deploy/brinewright.toml", ".ci/run", "a/b.database")
    for name in (*made, *kept):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()

    assert sorted(map(Path, (*kept, ".gitignore"))) == sorted(files_below(tmp_path))


def test_format_and_lint_leave_out_the_same_without_git(tmp_path: Path) -> None:
    """In an archive that was unpacked nobody reads `.gitignore` for them."""
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split():
        if line.endswith("/"):
            folder = tmp_path / line.replace("*", "-x")
            folder.mkdir()
            (folder / "made.py").write_text("x=1")
    (tmp_path / "daemon").mkdir()
    (tmp_path / "daemon" / "ours.py").write_text("x=1")
    done = subprocess.run(
        ["ruff", "check", "--show-files"], cwd=tmp_path, capture_output=True, text=True, check=True
    )

    assert ["daemon/ours.py"] == [
        str(Path(line).relative_to(tmp_path))
        for line in done.stdout.splitlines()
        if line.endswith(".py")
    ]


def test_the_top_level_holds_only_what_was_agreed() -> None:
    """A newcomer finds every file under one of the few agreed names."""
    top = {path.parts[0] for path in sources()}

    assert [] == sorted(name for name in top if not TOP_LEVEL.fullmatch(name))


def test_no_file_names_a_path_of_one_machine() -> None:
    """What is written here holds on any machine."""
    assert [] == lines_with(MACHINE_PATHS)


def test_no_file_names_a_package_registry() -> None:
    """Where packages come from is decided by whoever installs them."""
    assert [] == lines_with(REGISTRY_HOSTS)


@pytest.mark.parametrize(
    "pattern, line",
    [
        (MACHINE_PATHS, "cd /" + "work/main"),
        (MACHINE_PATHS, "found in '/" + "root/.cache'"),
        (REGISTRY_HOSTS, "https://files.python" + "hosted.org/packages"),
    ],
)
def test_the_patterns_find_what_they_are_for(pattern: re.Pattern[str], line: str) -> None:
    """A pattern that matched nothing would pass everything."""
    assert pattern.search(line)


def test_every_module_is_short_enough_to_have_one_purpose() -> None:
    """A module of 400 lines or more is two modules."""
    lengths = {
        path: len((ROOT / path).read_text(encoding="utf-8").splitlines()) for path in modules()
    }

    assert {} == {str(path): n for path, n in lengths.items() if n >= LONGEST_MODULE_LINES}


def test_every_test_says_what_it_holds() -> None:
    """Each test function opens with a sentence on the behaviour."""
    silent = [
        f"{path}:{node.lineno} {node.name}"
        for path in modules()
        if path.name.startswith("test_")
        for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if node.name.startswith("test_") and not ast.get_docstring(node)
    ]

    assert [] == silent


def dependencies() -> list[str]:
    """Names of everything that pyproject.toml asks for."""
    project = PROJECT["project"]
    asked = [
        *project["dependencies"],
        *(line for extra in project.get("optional-dependencies", {}).values() for line in extra),
        *(line for group in PROJECT["dependency-groups"].values() for line in group),
    ]
    return sorted({Requirement(line).name for line in asked})


@pytest.mark.parametrize("name", dependencies())
def test_every_dependency_has_its_reason(name: str) -> None:
    """The developers' guide has a line for each package that the project asks for."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

    assert re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", guide), f"{name} has no line"


def test_the_rules_of_the_rooms_name_the_page_once_it_exists() -> None:
    """The page is kept from measuring, and measuring from it, from its first module on."""
    contracts = {each["name"]: each for each in PROJECT["tool"]["importlinter"]["contracts"]}
    measuring = contracts["Measuring never learns of publishing"]["forbidden_modules"]
    publishing = contracts["Publishing never learns of measuring"]["source_modules"]
    exists = (ROOT / "daemon" / "page" / "__init__.py").exists()

    assert (exists, exists) == ("daemon.page" in measuring, "daemon.page" in publishing)
