"""Delivers a notification to one receiver, or says why it failed, with the address hidden."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from daemon.entries import JSON
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.notify.sender_process import run_sender
from daemon.publishing.sink import SinkError

LONGEST = 300
"""Characters of a reason; it is cut only after the address was hidden in it."""

log = logging.getLogger("brinewright.publish")


class Delivery(Protocol):
    """A way to reach one receiver."""

    def send(self, title: str, body: str, kind: str) -> None:
        """Deliver a text, as long as it takes; `kind` is failure, warning, success or info.

        Raises:
            SinkError: It was not accepted; the text says why, without the address.
        """


class AppriseDelivery:
    """Reaches one receiver through the Apprise library, in a process of its own."""

    def __init__(
        self, receiver: Receiver, run: Callable[[Mapping[str, JSON]], JSON] = run_sender
    ) -> None:
        """Take a receiver; nothing is sent yet.

        Args:
            receiver: Who.
            run: Has an order carried out; `run_sender` says how.
        """
        self._receiver, self._run = receiver, run

    def send(self, title: str, body: str, kind: str) -> None:
        """Deliver a text; see `Delivery`.

        Raises:
            SinkError: It was not accepted.
        """
        fault = self._run(
            {"address": self._receiver.url, "title": title, "body": body, "kind": kind}
        )
        if fault:
            raise SinkError(self._receiver.redacted(str(fault))[:LONGEST])


def open_deliveries(receivers: Sequence[Receiver]) -> dict[Receiver, Delivery]:
    """Return how each receiver is reached.

    Raises:
        SinkError: An address cannot be used; all of those in sentences.
    """
    faults = [
        f"{each.file}, line {each.line} is no address that Apprise can use; check the name of the"
        f" service, {each.url.partition('://')[0]}, and what its documentation asks for behind it."
        for each, usable in zip(receivers, _usable(receivers), strict=True)
        if not usable
    ]
    if faults:
        raise SinkError(" ".join(faults).removesuffix("."))
    return {receiver: AppriseDelivery(receiver) for receiver in receivers}


def _usable(receivers: Sequence[Receiver]) -> Sequence[object]:
    """Return of each whether the library can use its address; yes where that cannot be found out.

    Each delivery finds it out again, so that for want of memory no alarm is left unsent.
    """
    try:
        found = run_sender({"addresses": [each.url for each in receivers]})
    except SinkError as exc:
        log.warning("the addresses of receivers could not be checked: %s", exc)
        return [True] * len(receivers)
    return found if isinstance(found, list) else []
