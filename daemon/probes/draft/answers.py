"""What is known for a draft: what a person says, and what is connected."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from daemon.config import Config
from daemon.errors import InputError
from daemon.probes.draft.examples import DEVICE_KEYS
from daemon.probes.draft.section_draft import Answer
from daemon.probes.inventory import Connection
from daemon.wire.line import unescaped

STEMS = {"onewire": "thermo", "gpio": "pump"}
"""Driver to the first part of a name, where it gives no conductivity."""


def person_answers(pairs: Iterable[str]) -> dict[str, Answer]:
    """Return what a person says, such as `baud=19200` and `units.temperature="degF"`.

    Raises:
        InputError: One is no key with a value.
    """
    found: dict[str, Any] = {}
    for pair in pairs:
        key, sign, text = pair.partition("=")
        parts = key.strip().split(".")
        if not sign or not all(part.isidentifier() for part in parts):
            raise InputError(f"--set {pair!r}: give a key and a value, such as baud=19200")
        table = found
        for part in parts[:-1]:
            table = table.setdefault(part, {})
            if not isinstance(table, dict):
                raise InputError(f"--set {pair!r}: {part} was given a value of its own before")
        table[parts[-1]] = unescaped(_text(text)) if parts == ["request"] else _value(text.strip())
    return {key: Answer(value) for key, value in found.items()}


def _value(text: str) -> Any:  # noqa: ANN401 - whatever TOML has
    """Return a value as TOML has it; what is none is a text, as a shell takes quotes away."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except ValueError:
        return text


def _text(text: str) -> str:
    """Return a text, which may stand in quotes as TOML has them; its line end belongs to it."""
    value = _value(text)
    return value if isinstance(value, str) else text


def device_answer(
    driver: str, device: str | None, found: Sequence[Connection]
) -> dict[str, Answer]:
    """Return where the instrument is: as a person says, else what is connected, if that is one.

    Args:
        driver: Of the section.
        device: What the person says; None for nothing.
        found: What is connected.
    """
    key = DEVICE_KEYS.get(driver)
    if key is None:
        return {}
    if device is not None:
        named = [each for each in found if device in (each.name, *each.others)]
        value: object = _value(device) if device.isdigit() else device
        if named and named[0].value is not None and not device.startswith("/"):
            value = named[0].value
        elif driver == "iio":
            value = {"name": device}
        return {key: Answer(value, _missing(named or not found))}
    free = [each for each in found if driver in each.drivers and not each.used_by]
    if len(free) == 1 and driver != "mqtt_in":
        why = "the only one that is connected and not in use; is the instrument on it?"
        return {key: Answer(free[0].value or free[0].name, why)}
    return {}


def _missing(seen: object) -> str:
    return "" if seen else "it is not connected now"


def free_name(driver: str, config: Config | None) -> str:
    """Return a name that the configuration does not have yet."""
    stem = STEMS.get(driver, "ct")
    taken = set()
    if config is not None:
        taken = {each.name for reservoir in config.reservoirs for each in reservoir.probes}
        taken |= {each.name for each in config.inputs}
    number = 1
    while f"{stem}-{number}" in taken:
        number += 1
    return f"{stem}-{number}"


def with_more(first: Mapping[str, Answer], later: Mapping[str, Answer]) -> dict[str, Answer]:
    """Return answers of which the later ones hold; tables of both are put together."""
    whole = dict(first)
    for key, answer in later.items():
        before = whole.get(key)
        both = before is not None and isinstance(before.value, Mapping)
        if both and before is not None and isinstance(answer.value, Mapping):
            whole[key] = Answer({**before.value, **answer.value}, answer.unsure)
        else:
            whole[key] = answer
    return whole
