"""What may be asked over a broker: how it is configured, and how a payload is read."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.config import ConfigError, parse
from daemon.config.services import COMMANDS
from daemon.entries import Event, Instant, Kind
from daemon.journal import command_format
from daemon.journal.command_format import BadRequestError, Request
from daemon.journal.event_codec import body_of
from daemon.mixing.station.commands.dispatch import VERBS
from tests.parts.configurations import configuration

ALLOWED = ("batch.use", "batch.note")
FILE = configuration("""
[mqtt]
host = "127.0.0.1"
""")


def test_the_commands_that_may_be_configured_are_those_that_there_are() -> None:
    """The list that publishing knows is the one that measuring carries out."""
    assert set(VERBS) == set(COMMANDS)


def test_nothing_may_be_asked_unless_it_is_configured() -> None:
    """Commands over a broker are off by default."""
    mqtt = parse(FILE, Path("brinewright.toml")).mqtt

    assert mqtt is not None
    assert () == mqtt.commands


@pytest.mark.parametrize(
    "line, sentence",
    [
        ('commands = ["batch.cnofirm"]', "no command 'batch.cnofirm', the nearest is 'batch.confi"),
        ('commands = ["valve"]', "there is no command 'valve', known are batch.start, "),
        ('commands = "batch.use"', "give a list of commands such as ['batch.confirm', "),
        ("commands = [1]", "mqtt.commands[1] = 1 is not allowed"),
        ('ca_file = "ca.pem"', "mqtt.ca_file = 'ca.pem' is not allowed: it needs tls = true"),
        ('tls = true\nkey_file = "k"', "mqtt.key_file = 'k' is not allowed: it needs a cert_file"),
        ("tls = 1", "mqtt.tls = 1 is not allowed; give true or false"),
        ("discovery = 0", "mqtt.discovery = 0 is not allowed; give true or false"),
    ],
)
def test_a_fault_in_the_section_is_a_sentence(line: str, sentence: str) -> None:
    """The sentence names key and value, and what to write instead."""
    with pytest.raises(ConfigError) as caught:
        parse(FILE + line, Path("brinewright.toml"))

    assert [True] == [sentence in fault for fault in caught.value.faults]


def test_the_usual_port_follows_tls() -> None:
    """8883 with TLS and 1883 without, unless a port is given."""
    ports = []
    for more in ("", "tls = true", "tls = true\nport = 1884"):
        mqtt = parse(FILE + more, Path("brinewright.toml")).mqtt
        assert mqtt is not None
        ports.append(mqtt.port)

    assert [1883, 8883, 1884] == ports


@pytest.mark.parametrize(
    "said",
    [
        {"id": "a", "verb": "batch.use", "facts": {"volume_l": 40}, "who": "kim"},
        {"id": "a", "verb": "batch.use", "volume_l": 40, "who": " kim "},
    ],
)
def test_arguments_stand_in_facts_or_beside_the_verb(said: dict[str, Any]) -> None:
    """Both forms ask the same."""
    payload = json.dumps(said).encode()

    assert Request("a", "batch.use", "kim", {"volume_l": 40}) == command_format.parse(
        payload, len(payload), ALLOWED, "mqtt.commands"
    )


def test_only_the_verb_is_needed() -> None:
    """Id, name and arguments may be left out, or null."""
    bare = command_format.parse(b'{"verb": "batch.use"}', 21, ALLOWED, "mqtt.commands")
    null = command_format.parse(
        b'{"verb":"batch.use","id":null,"who":null,"facts":null}', 54, ALLOWED, "mqtt.commands"
    )

    assert bare == null == Request("", "batch.use", "", {})


@pytest.mark.parametrize(
    "payload, sentence",
    [
        (b"", "it is not JSON"),
        (b"PRESS", "it is not JSON"),
        (b"\xff\xfe", "it is not UTF-8 text"),
        (b'{"verb": "batch.note", "text": "\\ud800"}', "it is not UTF-8 text"),
        (b"[" * 10_000, "it is not JSON"),
        (b"[]", "no object"),
        (b'"batch.use"', "no object"),
        (b'{"verb": "batch.use", "volume_l": NaN}', "it is not JSON"),
        (b"9" * 5000, "it is not JSON"),
        (b"{}", 'a "verb" is missing'),
        (b'{"verb": 7}', '"verb" must be a text of at most 40'),
        (b'{"verb": "batch.discard"}', "'batch.discard' is not allowed here; allowed are batch.us"),
        (b'{"verb": "batch.use", "id": 7}', '"id" must be a text of at most 64'),
        (b'{"verb": "batch.use", "id": "a\\nb"}', '"id" must be a text'),
        (b'{"verb": "batch.use", "who": ["kim"]}', '"who" must be a text of at most 40'),
        (b'{"verb": "batch.use", "facts": [1]}', '"facts" must be an object'),
        (b'{"verb": "batch.use", "facts": {"a": {}}}', "a must be a text, a number, true"),
        (b'{"verb": "batch.use", "a": [1]}', "a must be a text, a number, true"),
        (b'{"verb": "batch.use", "a": 1, "facts": {"a": 2}}', "'a' is given twice"),
        (b'{"verb": "batch.note", "verb": "batch.use"}', "'verb' is twice in one object"),
        (b'{"verb": "batch.use", "facts": {"a": 1, "a": 1}}', "'a' is twice in one object"),
        (b'{"verb": "batch.use", "a": 1e300}', "a is larger than any number"),
        (b'{"verb": "batch.use", "a": 1e999}', "a is larger than any number"),
        (b'{"verb": "batch.use", "a": ' + b"9" * 400 + b"}", "a is larger than any number"),
        (b'{"verb": "batch.use", "": 1}', "'' is no name of an argument"),
        (b'{"verb": "batch.use", "a": "' + b"x" * 2001 + b'"}', "a is longer than 2000"),
        (
            json.dumps({"verb": "batch.use"} | {f"f{n}": n for n in range(21)}).encode(),
            "21 arguments are too many",
        ),
        (b'{"verb": "batch.use"}' + b" " * 16_384, "16405 bytes are too many; 16384 are allowed"),
    ],
)
def test_what_asks_nothing_is_told_what_is_wrong(payload: bytes, sentence: str) -> None:
    """Each fault has its own sentence."""
    with pytest.raises(BadRequestError) as caught:
        command_format.parse(payload, len(payload), ALLOWED, "mqtt.commands")

    assert str(caught.value).startswith(sentence) or sentence in str(caught.value)


def test_a_refusal_keeps_the_id_where_one_could_be_read() -> None:
    """So its sender knows which of its commands was wrong."""
    with pytest.raises(BadRequestError) as caught:
        command_format.parse(b'{"id": "a-7", "verb": "pump.start"}', 35, ALLOWED, "mqtt.commands")

    assert "a-7" == caught.value.id


@pytest.mark.parametrize("more", [{}, {"text": "clear"}, {"of_another_version": None}])
@pytest.mark.parametrize("lacks", [(), ("via",), ("who", "via")])
def test_an_answer_is_passed_on_whichever_version_wrote_it(
    more: dict[str, Any], lacks: tuple[str, ...]
) -> None:
    """With more facts than this version writes, or with fewer."""
    facts: dict[str, Any] = {"id": "7", "verb": "batch.note", "who": "kim", "via": "page"}
    facts |= {"ok": True, "answer": "noted", **more}
    body = body_of(Kind.COMMAND, {key: value for key, value in facts.items() if key not in lacks})
    at = Instant(datetime(2026, 3, 2, tzinfo=UTC), 0.0)

    assert {
        "id": "7",
        "verb": "batch.note",
        "reservoir": "mix-1",
        "ok": True,
        "answer": "noted",
        "batch": None,
    } == command_format.answer_of(Event("mix-1", at, "", body))


def test_an_answer_that_does_not_say_so_is_no_success() -> None:
    """Unknown is never good."""
    at = Instant(datetime(2026, 3, 2, tzinfo=UTC), 0.0)
    body = body_of(Kind.COMMAND, {"id": "7", "ok": "yes"})

    assert False is command_format.answer_of(Event("mix-1", at, "", body))["ok"]
