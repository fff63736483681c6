"""Archive and wheel come out the same, byte for byte, wherever and whenever they are built."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.docs.test_layout import files_below

ROOT = Path(__file__).parents[3]
CHANCE = """
import os
from pathlib import Path
from hatchling.builders.hooks.plugin.interface import BuildHookInterface

class CustomBuildHook(BuildHookInterface):
    def initialize(self, version, build_data):
        Path(self.root, "daemon", "chance.py").write_text(f"CHANCE = {os.urandom(8)!r}")
"""


def build(project: Path, out: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a project's deploy/build."""
    return subprocess.run(
        [project / "deploy/build", out],
        env={**os.environ, "PYTHON": sys.executable, **more},
        capture_output=True,
        text=True,
        check=False,
    )


def small_project(folder: Path) -> Path:
    """A project with a module and the real way of building."""
    for name in ("pyproject.toml", "LICENSE", ".gitignore", "deploy/build"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    for name in ("daemon", "calibration", "simulators"):
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text('"""A room."""\n')
    return folder


def test_the_project_is_built_twice_with_the_same_bytes(tmp_path: Path) -> None:
    """From its folder, and from its own archive unpacked elsewhere."""
    done = build(ROOT, tmp_path / "out")

    assert 0 == done.returncode, done.stderr
    assert [".gz", ".whl"] == sorted(Path(line).suffix for line in done.stdout.splitlines())
    assert done.stdout == (tmp_path / "out/SHA256SUMS").read_text()


def test_a_copy_elsewhere_gives_the_same_bytes(tmp_path: Path) -> None:
    """Another folder, another clock, and files made in another order with narrower rights."""
    project = small_project(tmp_path / "small")
    copy = tmp_path / "else" / "where"
    for path in sorted(files_below(project), reverse=True):
        (copy / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(project / path, copy / path)
        (copy / path).chmod((copy / path).stat().st_mode & 0o700)
    sums = [
        build(project, tmp_path / "first").stdout,
        build(copy, tmp_path / "second", TZ="Asia/Tokyo").stdout,
    ]

    assert sums[0]
    assert sums[0] == sums[1]


def test_another_date_gives_other_bytes(tmp_path: Path) -> None:
    """The comparison sees a difference of one date."""
    project = small_project(tmp_path / "small")
    sums = [
        build(project, tmp_path / at, SOURCE_DATE_EPOCH=at).stdout
        for at in ("1767225600", "1798761600")
    ]

    assert all(sums)
    assert sums[0] != sums[1]


def test_a_build_that_does_not_repeat_is_not_handed_out(tmp_path: Path) -> None:
    """What depends on chance is found out by building twice."""
    project = small_project(tmp_path / "small")
    (project / "hatch_build.py").write_text(CHANCE)
    with (project / "pyproject.toml").open("a") as table:
        table.write("\n[tool.hatch.build.hooks.custom]\n")
    done = build(project, tmp_path / "out")

    assert 1 == done.returncode, done.stderr
    assert "the two builds differ; nothing was written" in done.stderr
    assert not (tmp_path / "out").exists()
