"""Whatever comes in on a topic that is listened to is a request, a refusal, or nothing."""

from __future__ import annotations

import json
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config.services import COMMANDS
from daemon.entries import Instant
from daemon.journal import command_format
from daemon.journal.command_format import BadRequestError, Request
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.announcer import HUB_STATUS, Announcer
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.inputs import INPUTS
from daemon.publishing.mqtt.hub.press_desk import PressDesk
from daemon.publishing.mqtt.incoming import IncomingMessage
from tests.parts.inboxes import made

SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None))
)
ANY_JSON = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)
NEARLY = st.fixed_dictionaries(
    {"verb": st.sampled_from(COMMANDS) | SCALARS},
    optional={
        "id": st.text(max_size=70) | ANY_JSON,
        "who": st.text(max_size=50) | ANY_JSON,
        "facts": st.dictionaries(st.text(), SCALARS) | ANY_JSON,
        "volume_l": ANY_JSON,
    },
)
HOSTILE = (
    st.binary(max_size=300)
    | st.text().map(lambda said: said.encode(errors="surrogatepass"))
    | (ANY_JSON | NEARLY).map(lambda said: json.dumps(said).encode())
    | NEARLY.map(lambda said: json.dumps(said).encode()[:-1])
)


def _request(payload: bytes) -> Request | None:
    try:
        return command_format.parse(payload, len(payload), COMMANDS, "mqtt.commands")
    except BadRequestError:
        return None


@settings(max_examples=500)
@given(HOSTILE)
def test_any_payload_is_a_request_or_a_refusal(payload: bytes) -> None:
    """What is asked is bounded, and can be written down and said on as it is."""
    asked = _request(payload)

    if asked is not None:
        assert asked.verb in COMMANDS
        assert len(asked.id) <= 64
        assert len(asked.who) <= 40
        assert len(json.dumps(asked.facts, allow_nan=False, ensure_ascii=False).encode()) < 70_000


@settings(max_examples=60)
@given(
    st.sampled_from(["/mix-1/command", "/command", "/?/command"]),
    HOSTILE,
    st.text(),
    st.binary(max_size=20),
)
def test_each_letter_is_answered_or_handed_over(
    topic: str, payload: bytes, reply_to: str, correlation: bytes
) -> None:
    """No letter is lost between the answers and the inbox, and none is both."""
    with tempfile.TemporaryDirectory() as folder:
        journal = Path(folder) / "journal.db"
        with Writer(journal):
            inbox = made(journal)
            commands = CommandIntake("wing", ("mix-1",), COMMANDS, inbox, Reader(journal))
            letter = IncomingMessage(
                f"brinewright/wing{topic}", payload, len(payload), False, reply_to, correlation
            )
            replies = commands.take([letter], 0, 0.0)

            assert all(json.loads(reply.payload)["answer"] for reply in replies)
            assert all(correlation == reply.correlation for reply in replies)
            assert 1 == len(replies) + len(inbox.after(0))


KEPT_PARTS = st.dictionaries(
    st.text(max_size=8),
    st.fixed_dictionaries({}, optional={"platform": st.sampled_from(["sensor", "x"]) | SCALARS})
    | ANY_JSON,
    max_size=4,
)
KEPT = HOSTILE | KEPT_PARTS.map(lambda parts: json.dumps({"components": parts}).encode())


@settings(max_examples=150)
@given(kept=KEPT, said=KEPT, retained=st.booleans())
def test_whatever_the_broker_kept_the_announcement_comes_out_right(
    *, kept: bytes, said: bytes, retained: bool
) -> None:
    """Rubbish in our place, or from a hub, never keeps the right announcement from being last."""
    told = HubDevice("wing", "mix-1")
    right = announcement("homeassistant", told)
    one = Announcer("wing", "homeassistant", [told], Random(5))
    one.connected(0.0)
    one.receive(IncomingMessage(right.topic, kept, len(kept), retained=True), 0.1)
    one.receive(IncomingMessage(HUB_STATUS, said, len(said), retained), 0.2)
    sent = [*one.due(10.0), *one.due(20.0), *one.due(30.0)]

    assert right == sent[-1]
    assert [] == one.due(40.0)


NAMES = st.sampled_from([*INPUTS, "u_ppt", "__class__"]) | st.text(max_size=50)
FROM_A_HUB = st.fixed_dictionaries(
    {"from": st.just("hub")},
    optional={
        "set": NAMES | ANY_JSON,
        "value": ANY_JSON,
        "verb": st.sampled_from(COMMANDS) | SCALARS,
        "needs": st.lists(NAMES, max_size=3) | ANY_JSON,
        "takes": st.lists(NAMES, max_size=3) | ANY_JSON,
        "id": ANY_JSON,
        "volume_l": ANY_JSON,
    },
)


@settings(max_examples=25)
@given(st.lists(FROM_A_HUB.map(lambda said: json.dumps(said).encode()) | HOSTILE, max_size=6))
def test_whatever_a_hub_sends_what_is_shown_there_stays_small(payloads: list[bytes]) -> None:
    """And what is kept is only what can be entered, in its bounds."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path):
            intake = CommandIntake("wing", ("mix-1",), COMMANDS, made(path), Reader(path))
            now = Instant(datetime(2031, 5, 4, tzinfo=UTC), 0.0)
            desk = PressDesk(intake, "wing", {"mix-1": 220.0}, lambda: now)
            said = [
                message
                for each in payloads
                for message in desk.take(
                    [IncomingMessage("brinewright/wing/mix-1/command", each, len(each))], 0, 0.0
                )
            ]

    for message in said:
        assert len(message.payload) < 5_000
        if message.topic.endswith("/hub/inputs"):
            shown = json.loads(message.payload)
            assert INPUTS.keys() == shown.keys()
            assert all(value is None or value for value in shown.values())
            assert 0.1 <= (shown["volume_l"] or 0.1) <= 220.0
