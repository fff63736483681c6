"""What a message to people costs: memory for as long as it is sent, and CPU."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from statistics import median

from daemon.entries import JSON
from daemon.publishing.notify.sender_process import PROGRAM, run_sender
from tests.benchmarks.budgets.processes import resident_mib
from tests.benchmarks.budgets.table import Row
from tests.conftest import wait_until
from tests.services.notify_parts import hooked, mailing

MESSAGE: dict[str, JSON] = {"title": "quarantine-wing", "body": "mix-1: ready", "kind": "success"}
BARE = [sys.executable, "-I", "-c", "pass"]
PATIENCE_S = 30.0


def rows(rounds: int) -> list[Row]:
    """Measure so many messages of each kind, each beside a bare interpreter."""
    return [_memory_row(), _cpu_row(rounds)]


def _memory_row() -> Row:
    with (
        hooked() as hook,
        subprocess.Popen(
            [sys.executable, "-m", PROGRAM], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as process,
    ):
        hook.silence.set()
        assert process.stdin is not None
        process.stdin.write(json.dumps({"address": hook.url, **MESSAGE}).encode() + b"\n")
        process.stdin.flush()
        wait_until(lambda: hook.pending == 1, "the message", PATIENCE_S)
        mib = resident_mib(process.pid)
        process.kill()
    what = "memory of sending a message, while it is sent"
    return Row.at_most(what, mib, None, "MiB", "publishing held it all the time before")


def _cpu_row(rounds: int) -> Row:
    ours, bare = [], []
    with hooked() as hook, mailing() as mailbox:
        for _ in range(rounds):
            for each in (hook, mailbox):
                before_s = _children_s()
                fault = run_sender({"address": each.url, **MESSAGE})
                ours.append(_children_s() - before_s)
                if fault:
                    sys.exit(f"a message was not accepted ({fault}): no figure")
            before_s = _children_s()
            subprocess.run(BARE, check=True)
            bare.append(_children_s() - before_s)
    floor = f"a bare interpreter {median(bare):.3f} s"
    return Row.at_most("CPU of sending a message", median(ours), None, "s", floor)


def _children_s() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime
