"""deploy/fleet/compose.yaml run by podman as the guide says, with stations that publish to it.

    python -m tests.campaigns.containers [--minutes 0.5] [--only STEP ...]

Needs root, podman, a podman-compose newer than Debian 12's 1.0.3 (which gives a container of the
host's network a second one; 1.6.0 was tried), and the programs of Debian that stand in for the
published images (images.py). No registry is asked, and the dashboard, which Debian does not have,
is left out. It runs in namespaces of its own: this machine's network, /srv/brinewright and
containers are not touched, and nothing stays. Prints a line for each step; ends with 1 if one
failed, 69 if no container can be run here.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from tests.campaigns.containers import scene
from tests.campaigns.containers.engine import Engine, find_engine
from tests.campaigns.containers.images import IMAGES, missing
from tests.campaigns.containers.steps import STEPS, Bench
from tests.services.service_parts import running

INSIDE = "--inside"
LACKING = 69


def main(arguments: Sequence[str] | None = None) -> int:
    """Run every step; return 0 if all is as it should be, 1 if not, 69 if it cannot be run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=0.5, help="for which stations publish")
    parser.add_argument("--only", nargs="*", default=[], help="names of steps")
    parser.add_argument(INSIDE, action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if os.geteuid() != 0 or missing():
        _say(f"cannot be run here: root is needed, and these are missing: {missing() or 'none'}")
        return LACKING
    if not asked.inside:
        own = ("--net", "--mount", "--pid", "--fork", "--mount-proc", "--kill-child")
        again = (sys.executable, "-m", "tests.campaigns.containers", INSIDE)
        words = ["unshare", *own, *again, *(sys.argv[1:] if arguments is None else arguments)]
        with scene.nothing_stays():
            return subprocess.run(words, check=False).returncode
    with tempfile.TemporaryDirectory(prefix="brinewright-containers-") as place:
        return run(Path(place), asked.minutes, asked.only)


def run(folder: Path, minutes: float, only: Sequence[str]) -> int:
    """Make the machine, start everything, look at each; return the exit code."""
    scene.own_machine()
    try:
        engine = find_engine(folder)
    except AssertionError as exc:
        _say(str(exc))
        return LACKING
    _say(*(f"failed: {each}" for each in engine.failed), f"containers run by {engine.words}")
    _say(f"images made here: {', '.join(engine.make_images().values())}; left out: dashboard")
    with ExitStack() as open_now:
        receiver = open_now.enter_context(scene.receiver())
        _stations(folder, engine, open_now)
        engine.compose("up", "-d", *IMAGES)
        open_now.callback(engine.compose, "down")
        bench = Bench(engine, folder, receiver, minutes)
        first, *others = STEPS
        if _step(first, bench):
            return 1
        chosen = [each for each in others if not only or each.__name__ in only]
        return max([_step(each, bench) for each in chosen], default=0)


def _stations(folder: Path, engine: Engine, open_now: ExitStack) -> None:
    scene.prepare(folder)
    scene.environment_for_reload(engine)
    scene.prepare_again()
    for number, name in enumerate(scene.SIMULATED):
        scene.provision("add", name, "--address", f"127.0.0.{31 + number}:8498")
    scene.provision("add", scene.REAL, "--address", scene.REAL_ADDRESS)
    config = scene.FLEET / "stations" / scene.REAL / "brinewright.toml"
    play = ("simulators", "play", "plain-batch", "--link", str(folder / "port-1"), "--wait")
    open_now.enter_context(running("reservoir", *play, "--speed", "1", folder=folder))
    words = ("daemon.cli.main", "run", "--config", str(config))
    open_now.enter_context(running("station", *words, folder=folder))


def _step(step: object, bench: Bench) -> int:
    began_s, name = time.monotonic(), getattr(step, "__name__", "")
    try:
        said, code = step(bench), 0  # type: ignore[operator]
    except Exception as exc:  # noqa: BLE001 - the others are still to be seen
        said, code = f"NOT GOOD: {exc}\n{traceback.format_exc(limit=-2)}", 1
    _say(f"{name} ({time.monotonic() - began_s:.0f} s): {said}")
    return code


def _say(*lines: str) -> None:
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
