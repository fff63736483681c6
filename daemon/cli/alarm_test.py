"""`brinewright alarm test`: one notification to each receiver, and which of them accepted it."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.output import CONFIG, NOT_SO, UNAVAILABLE, emit, fail, read_config, table
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.publishing.notify.attempt import DeliveryAttempt
    from daemon.publishing.notify.receivers import Receiver

WAIT_S = 60.0

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one object.")]


def add_to(group: typer.Typer) -> None:
    """Add the verb to its group."""
    group.command(name="test")(try_out)


def try_out(*, config: ConfigPath = None, as_json: Json = False) -> None:
    """Send a test message to every receiver of notifications.

    Ends with 1 when some did not take it, and with 69 when none did.
    """
    settings = read_config(config)
    if settings.notify is None:
        fail("the configuration has no section [notify], so nobody is notified", CONFIG)
    # It holds passwords, and is the service's alone: not even a keeper may read it.
    if lacking := missing_rights(settings.notify.urls_file):
        fail(lacking, UNAVAILABLE)
    until_s = time.monotonic() + WAIT_S
    attempts = _begin(settings)
    faults = {
        receiver: _fault(attempt, max(0.0, until_s - time.monotonic()))
        for receiver, attempt in attempts.items()
    }
    taken = sum(not fault for fault in faults.values())
    answer = {
        "taken": taken,
        "not_taken": len(faults) - taken,
        "receivers": [
            {"receiver": each.label, "taken": not fault, "why": fault}
            for each, fault in faults.items()
        ],
    }
    rows = [(each.label, fault or "taken") for each, fault in faults.items()]
    emit(answer, as_json=as_json, text=table(rows))
    if taken < len(faults):
        raise SystemExit(NOT_SO if taken else UNAVAILABLE)


def _begin(config: Config) -> dict[Receiver, DeliveryAttempt]:
    from daemon.journal.station_clock import station_clock
    from daemon.publishing.notify.attempt import DeliveryAttempt
    from daemon.publishing.registry import make_deliveries, make_formatter

    deliveries = make_deliveries(config)
    now = station_clock(config).now().wall
    title, body = make_formatter(config).test_message(now)
    return {
        receiver: DeliveryAttempt(
            partial(delivery.send, title, body, "info"), f"line {receiver.line}", time.monotonic()
        )
        for receiver, delivery in deliveries.items()
    }


def _fault(attempt: DeliveryAttempt, longest_s: float) -> str:
    """Wait for a message to be taken; return why it was not, or nothing."""
    if attempt.wait(longest_s):
        return attempt.fault
    return f"it did not answer within {WAIT_S:g} s"
