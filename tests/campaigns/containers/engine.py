"""Podman as it can be run here, with storage of its own, and what is run by it."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml  # type: ignore[import-untyped]

from tests.campaigns.containers.images import IMAGES, packed

ROOT = Path(__file__).parents[3]
COMPOSE = ROOT / "deploy/fleet/compose.yaml"
PROBE = "localhost/probe"
OPEN_FILES, PROCESSES = 16_384, 8_192
"""Limits of a container where a machine does not let us raise them."""


@dataclass(frozen=True, slots=True)
class Engine:
    """How containers run here.

    Attributes:
        environment: What podman finds in its environment.
        words: What it runs them with, for people.
        failed: What was tried before, and what it said.
    """

    environment: Mapping[str, str]
    words: str
    failed: tuple[str, ...]

    def podman(self, *words: str, check: bool = True) -> str:
        """Run podman; return what it said.

        Raises:
            AssertionError: It failed, and `check` was set.
        """
        return self._run("podman", *words, check=check)

    def compose(self, *words: str) -> str:
        """Run podman-compose on the file as it is."""
        return self._run("podman-compose", "-f", str(COMPOSE), *words)

    def ran(self, *words: str) -> int:
        """Run podman; return its exit code."""
        return self._done("podman", *words).returncode

    def inspect(self, container: str) -> dict[str, Any]:
        """Return all that podman knows of a container."""
        (one,) = json.loads(self.podman("inspect", container))
        return dict(one)

    def pid(self, container: str) -> int:
        """Return the number of its process, 0 while none runs."""
        return int(self.inspect(container)["State"]["Pid"])

    def make_images(self) -> dict[str, str]:
        """Make each image under the name that compose.yaml gives it; return the names."""
        services = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))["services"]
        names = {service: str(services[service]["image"]) for service in IMAGES}
        for service, name in names.items():
            changes = [word for each in IMAGES[service].changes for word in ("--change", each)]
            _import(self.environment, packed(IMAGES[service]), name, *changes)
        return names

    def _run(self, *words: str, check: bool = True) -> str:
        done = self._done(*words)
        assert not check or done.returncode == 0, f"{' '.join(words)}: {done.stdout}{done.stderr}"
        return done.stdout + done.stderr

    def _done(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            words,
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, **self.environment},
            stdin=subprocess.DEVNULL,
        )


def find_engine(folder: Path) -> Engine:
    """Try runtimes and limits until a container runs.

    Raises:
        AssertionError: None does; what each said is in it.
    """
    failed: list[str] = []
    for words, settings in _choices().items():
        file = folder / "containers.conf"
        file.write_text(settings)
        environment = {"CONTAINERS_CONF": str(file)}
        _import(environment, packed(IMAGES["gate"]), PROBE)
        engine = Engine(environment, words, tuple(failed))
        done = engine._done("podman", "run", "--rm", "--network", "host", PROBE, "/bin/id")  # noqa: SLF001
        if done.returncode == 0 and done.stdout.startswith("uid=0"):
            return engine
        failed.append(f"{words}: {done.stderr.strip().splitlines()[-1]}")
    raise AssertionError("no container runs here: " + "; ".join(failed))


def _choices() -> dict[str, str]:
    files = min(OPEN_FILES, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    limits = f'default_ulimits = ["nofile={files}:{files}", "nproc={PROCESSES}:{PROCESSES}"]'
    engine = '[engine]\ncgroup_manager = "cgroupfs"\nevents_logger = "file"\n'
    return {
        "podman as it is": engine,
        "crun with lower limits": f'[containers]\n{limits}\n{engine}runtime = "crun"\n',
        "runc with lower limits": f'[containers]\n{limits}\n{engine}runtime = "runc"\n',
    }


def _import(environment: Mapping[str, str], root: bytes, name: str, *changes: str) -> None:
    with tempfile.NamedTemporaryFile(suffix=".tar") as file:
        file.write(root)
        file.flush()
        done = subprocess.run(
            ["podman", "import", "-q", *changes, file.name, name],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, **environment},
        )
    assert done.returncode == 0, done.stderr
