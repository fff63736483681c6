"""The real service before a real home-automation hub, and what the hub complains of.

    python -m tests.campaigns.hub --rig FOLDER --cache FOLDER [--only STEP ...]
        [--pictures FOLDER] [--rows MINUTES]

FOLDER of the rig holds `hub.py`, which starts a broker and a hub on loopback and reads the
hub's log; FOLDER of the cache is where the hub itself was built.  By hand, not in CI: the hub
takes 821 MB.  A simulated batch is mixed before it; cables are pulled, processes killed, hub and
broker started again, a reservoir withdrawn, the station renamed.  After each step the hub must
have complained of nothing, what is announced must be without fault by the hub's own schemas, and
what it shows must be right.  With `--pictures` the example dashboard is looked at on the way, as a
phone and a desk show it, and no text of it may be cut.  `--rows` only counts what a still reservoir
costs the hub's recorder.  Prints a table; ends with 1 if a step did not hold.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tests.campaigns.hub.camera import camera
from tests.campaigns.hub.collision import names_collide
from tests.campaigns.hub.rows import rows
from tests.campaigns.hub.scene import Scene, complete, load_rig, staged
from tests.campaigns.hub.steps import STEPS, Step

OUTAGE = {"broker_restarted": "Error returned from MQTT server: The connection was lost."}
"""What the hub says of a broker that is taken away, by step; it is no complaint about us."""
CHATTY = "is logging too frequently"
"""The rig has the hub log each entity that it registers, and it counts those lines."""
MOST_SHOWN = 5
LIFETIME_S = 1800.0
"""Hub and broker end then, whatever becomes of this program."""


@dataclass(frozen=True)
class Outcome:
    """What became of one step.

    Attributes:
        name: Of the step.
        took_s: How long it took, real seconds.
        text: What it saw, or what is wrong.
        holds: Whether all was as it should be.
        complaints: What the hub complained of.
        faults: What is wrong with what is announced.
    """

    name: str
    took_s: float
    text: str
    holds: bool
    complaints: Sequence[str]
    faults: Sequence[str]

    @property
    def good(self) -> bool:
        """Whether the step held and nobody complained."""
        return self.holds and not self.complaints and not self.faults


def name_of(step: Step) -> str:
    """The name of a step."""
    return step.func.__name__ if isinstance(step, partial) else step.__name__


def run(scene: Scene, step: Step) -> Outcome:
    """Do one step, and ask the hub what it says."""
    mark, began_s = scene.rig.hub.mark(), time.monotonic()
    try:
        text, holds = step(scene), True
    except Exception as exc:  # noqa: BLE001 - the others are still to be seen
        text, holds = f"{type(exc).__name__}: {exc}", False
    took_s = time.monotonic() - began_s
    complaints = [
        str(each)
        for each in scene.rig.hub.complaints(since=mark)
        if each.text != OUTAGE.get(name_of(step)) and CHATTY not in each.text
    ]
    return Outcome(name_of(step), took_s, text, holds, complaints, scene.rig.lint())


def line(outcome: Outcome) -> str:
    """What became of a step, as a row of the table."""
    word = "yes" if outcome.holds else "NO"
    return (
        f"| {outcome.name.replace('_', ' ')} | {outcome.took_s:.1f} | {word} |"
        f" {len(outcome.complaints)} | {len(outcome.faults)} |"
        f" {' '.join(outcome.text.split())[:160]} |"
    )


def table(outcomes: Sequence[Outcome]) -> str:
    """What became of all steps, one line each, and below it what was said."""
    head = (
        "| step | s | holds | complaints | faults | seen |\n| --- | --- | --- | --- | --- | --- |"
    )
    lines = [head, *map(line, outcomes)]
    for each in outcomes:
        said = [*each.complaints[:MOST_SHOWN], *each.faults[:MOST_SHOWN]]
        said += [] if each.holds else [each.text]
        lines += [f"{each.name}: {text}" for text in dict.fromkeys(said)]
    return "\n".join(lines)


def main() -> int:
    """Run the campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.hub")
    parser.add_argument("--rig", type=Path, required=True, help="the folder that holds hub.py")
    parser.add_argument("--cache", type=Path, required=True, help="where the hub was built")
    parser.add_argument("--only", nargs="*", help="names of steps; all when not given")
    parser.add_argument("--pictures", type=Path, help="a folder for pictures of the dashboard")
    parser.add_argument("--rows", type=float, metavar="MINUTES", help="count the recorder's rows")
    options = parser.parse_args()
    steps: tuple[Step, ...] = (*STEPS, names_collide)
    if options.rows is not None:
        steps = (partial(rows, minutes=options.rows),)
    chosen = [each for each in steps if not options.only or name_of(each) in options.only]
    try:
        hub = load_rig(options.rig)
    except FileNotFoundError as exc:
        parser.error(f"there is no {exc}: name the folder that holds the rig in --rig")
    with (
        tempfile.TemporaryDirectory() as folder,
        hub.Rig(options.cache, lifetime_s=LIFETIME_S) as rig,
        staged(rig, Path(folder)) as scene,
        contextlib.ExitStack() as more,
    ):
        complete(rig)
        if options.pictures is not None:
            options.pictures.mkdir(parents=True, exist_ok=True)
            scene.look = more.enter_context(camera(rig, options.pictures)).take
        outcomes = []
        for step in chosen:
            outcomes.append(run(scene, step))
            sys.stderr.write(f"{line(outcomes[-1])}\n")
        version = rig.hub.version()
    sys.stdout.write(f"hub {version}\n{table(outcomes)}\n")
    return 0 if all(each.good for each in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
