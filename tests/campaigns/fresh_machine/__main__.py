"""Both commands of the README on minimal Debian 12 and 13, as root and as another user.

    python -m tests.campaigns.fresh_machine
    python -m tests.campaigns.fresh_machine --release trixie --user keeper --whole

From a clean clone of what is committed, in containers that have nothing but what no Debian is
without, and this machine's way to packages: `deploy/demo --until-ready`, then `tests/run --fast`,
or with --whole `tests/run`.  Where a command says with exit code 69 what is missing and how it is
installed, root does that and the command is run again.  Needs root, systemd-nspawn and mmdebstrap;
half an hour.  Exit 0, 1 where a command did not end well, 69 where something is not there.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.boot.cache import UnavailableError
from tests.boot.machine import Machine
from tests.boot.prepare import check
from tests.boot.roots import RELEASES, make_root
from tests.campaigns.fresh_machine.setup import carry_in
from tests.campaigns.fresh_machine.visitor import KEEPER, MISSING, PROJECT, Visit, move_in, try_out

ROOT = Path(__file__).parents[3]
DEMO = ("deploy/demo", "--until-ready")
TESTS = ("tests/run",)
USERS = ("root", KEEPER)
ENDED = 128 + signal.SIGTERM


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def print_visit(release: str, user: str, visit: Visit) -> None:
    """Print how a command went."""
    tries = ", then ".join(f"exit {code} after {took:.0f} s" for code, took in visit.tries)
    say(f"{release}, {user}: {' '.join(visit.words)}: {tries}")
    for sentence in visit.sentences:
        say(f"  {sentence}")
    if not visit.good:
        say("  " + "\n  ".join(visit.output.splitlines()[-40:]))


def visit_all(
    folder: Path, logs: Path, release: str, user: str, commands: Sequence[tuple[str, ...]]
) -> bool:
    """Run the commands on one fresh machine, one after another; whether all ended well."""
    good = True
    layers, mounts = [make_root(release, (), "bare-")], {PROJECT: folder / "clone"}
    with Machine(folder / f"{release}-{user}", layers, mounts, network=True) as machine:
        environment = carry_in(machine)
        move_in(machine, user)
        for words in commands:
            visit = try_out(machine, user, words, environment, logs / f"{release}-{user}.log")
            print_visit(release, user, visit)
            good = good and visit.good
    return good


def main() -> int:
    """Visit all machines that are asked for; 0 where everything ended well."""
    parser = argparse.ArgumentParser(prog="tests.campaigns.fresh_machine", description=__doc__)
    parser.add_argument("--release", choices=[*RELEASES], action="append", help="only this one")
    parser.add_argument("--user", choices=USERS, action="append", help="only this one")
    parser.add_argument("--whole", action="store_true", help="all of tests/run, not the fast part")
    parser.add_argument("--no-demo", action="store_true", help="only tests/run")
    parser.add_argument("--no-tests", action="store_true", help="only the demo")
    parser.add_argument("--logs", type=Path, help="keep what was said in this folder")
    asked = parser.parse_args()
    # Ended from outside, it leaves no machine and no folder behind either.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(ENDED))
    tests = TESTS if asked.whole else (*TESTS, "--fast")
    commands = [*([] if asked.no_demo else [DEMO]), *([] if asked.no_tests else [tests])]
    good = True
    try:
        check()
        with tempfile.TemporaryDirectory(prefix="fresh-machine-") as name:
            folder = Path(name)
            words = ["git", "clone", "--quiet", "--no-local", str(ROOT), str(folder / "clone")]
            subprocess.run(words, check=True)
            logs = asked.logs or folder
            for release in asked.release or RELEASES:
                for user in asked.user or USERS:
                    good = visit_all(folder, logs, release, user, commands) and good
    except UnavailableError as exc:
        say(str(exc))
        return MISSING
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
