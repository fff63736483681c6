"""Runs the program that sends messages, in a process for each of them.

Messages are rare, and what sends them is large: this way its memory is held for a second.  One
that hangs or crashes is ended, and touches nothing here.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from select import select
from time import monotonic

from daemon.entries import JSON
from daemon.publishing.sink import SinkError

PROGRAM = "daemon.publishing.notify.sender"
WITHIN_S = 90.0
"""The libraries' own limits are shorter."""
PART_BYTES = 65_536
"""As much as a pipe holds."""


def run_sender(order: Mapping[str, JSON], within_s: float = WITHIN_S) -> JSON:
    """Return the program's answer to an order.

    Raises:
        SinkError: It cannot be started, ends without an answer, or gives none in time.
    """
    try:
        process = subprocess.Popen(  # noqa: S603 - our own module
            [sys.executable, "-P", "-s", "-m", PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # what is in a traceback may be secret
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
    except OSError as exc:
        raise SinkError(f"the process that sends it cannot be started ({exc.strerror})") from exc
    with process:
        try:
            answer = _answer(process, order, within_s)
        finally:
            process.kill()
    try:
        found: JSON = json.loads(answer)
    except ValueError:
        raise SinkError("the process that sends it ended without an answer") from None
    return found


def _answer(process: subprocess.Popen[bytes], order: Mapping[str, JSON], within_s: float) -> bytes:
    """Return the line of an answer; empty where the program ended before it was whole.

    The input stays open meanwhile: by its end the program knows that this process has ended.

    Raises:
        SinkError: There is no whole one in time.
    """
    inlet, outlet = process.stdin, process.stdout
    if inlet is None or outlet is None:
        return b""
    try:
        inlet.write(json.dumps(order).encode() + b"\n")
        inlet.flush()
    except BrokenPipeError:
        return b""
    line, until_s = b"", monotonic() + within_s
    while not line.endswith(b"\n"):
        ready, _, _ = select([outlet], [], [], max(0.0, until_s - monotonic()))
        if not ready:
            raise SinkError(f"no answer within {within_s:g} s")
        part = os.read(outlet.fileno(), PART_BYTES)
        if not part:
            return b""
        line += part
    return line
