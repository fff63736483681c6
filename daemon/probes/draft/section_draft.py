"""One section as text: each key with its meaning, what is unsure of it, and its default."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.config import ConfigError, Source, parse
from daemon.config.probe import IndicatingSource, probe_section
from daemon.probes.draft.examples import DEVICE_KEYS, EXAMPLES
from daemon.probes.registry import MODULES, SECTIONS

WIDTH = 80
FIRST_KEYS = ("name", "driver")
LAST_KEYS = ("units", "compensation", "period_s", "temperature_from")
EXAMPLE = "an example: nothing is known about it here"
COMPENSATION = "not known: see the manual, then 'brinewright probe try NAME --warm' tells"
_KEY_MEANING = re.compile(r"^\s+(\w+): (.*?)(?=^\s+\w+: |\Z)", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Answer:
    """What is known for one key.

    Attributes:
        value: As the configuration has it.
        unsure: Why a person must check it; empty where nothing is unsure.
    """

    value: Any
    unsure: str = ""


@dataclass(frozen=True, slots=True)
class Draft:
    """A section that validates.

    Attributes:
        text: As TOML: every key with its meaning as a comment, those without a value too.
        brief: The same, with what must be checked and without what can stay as it is.
        keys: Those that it sets, with their values.
        unsure: Keys that a person must check.
    """

    text: str
    brief: str
    keys: Mapping[str, Any]
    unsure: tuple[str, ...]


def draft_section(
    driver: str, name: str, answers: Mapping[str, Answer], *, as_input: bool = False
) -> Draft:
    """Return a draft for an instrument.

    Args:
        driver: Of the section.
        name: Of the probe or input.
        answers: What is known, by key; the rest that must be given is taken from an example.
        as_input: An `[[input]]` on its own, and no probe of a reservoir.

    Raises:
        KeyError: No driver is called so.
    """
    source = SECTIONS[driver]
    given = _complete(driver, source, answers)
    table = {key: each.value for key, each in given.items()}
    is_input = as_input or "conductivity" not in source.gives(table)
    section = source if is_input else probe_section(source)
    meanings = _meanings(section)
    head = ["[[input]]" if is_input else "[[reservoir.probe]]"]
    head += [f'name = "{name}"', f'driver = "{driver}"']
    whole, brief = list(head), list(head)
    for key in _ordered(driver, section, given):
        whole += ["", *_explained(key, section, meanings.get(key, ""))]
        if key in given:
            lines = [*_marked(given[key]), f"{key} = {toml(given[key].value)}"]
            whole += lines
            brief += lines
        else:
            whole.append(f"# {key} = {_default(section, key)}")
    keys = {"name": name, "driver": driver, **table}
    unsure = tuple(key for key, each in given.items() if each.unsure)
    return Draft("\n".join(whole) + "\n", "\n".join(brief) + "\n", keys, unsure)


def draft_faults(draft: Draft) -> list[str]:
    """Return what a configuration that had this section would be told; nothing where it is right.

    Its reservoir and, where it names one, the input beside it are made up.
    """
    as_input = draft.text.startswith("[[input]]")
    beside = draft.keys.get("temperature_from")
    file = "\n".join(
        [
            '[station]\nname = "draft"\n[journal]\npath = "draft.db"',
            '[[reservoir]]\nname = "draft"\ncapacity_l = 200\nfill_l = 100',
            "target_ppt = 34\ntolerance_ppt = 1",
            draft.text,
            *([_THERMOMETER.format(name=beside)] if beside and not as_input else []),
        ]
    )
    try:
        parse(file, Path("draft.toml"), SECTIONS)
    except ConfigError as exc:
        return exc.faults
    return []


_THERMOMETER = (
    '[[input]]\nname = "{name}"\ndriver = "line"\nport = "/dev/draft"\n'
    "reply = '(?P<temperature>[\\d.]+)'\nunits = {{ temperature = \"degC\" }}"
)


def drivers() -> tuple[str, ...]:
    """Return the drivers that a section can be drafted for."""
    return tuple(name for name in MODULES if name in EXAMPLES)


def _complete(
    driver: str, source: type[Source], answers: Mapping[str, Answer]
) -> dict[str, Answer]:
    """Return the answers, with an example for each key that must be given besides."""
    given = dict(answers)
    table = {key: each.value for key, each in answers.items()}
    quantities = source.gives(table) if _tells_what_it_gives(table) else None
    for key, value in EXAMPLES.get(driver, {}).items():
        is_other = quantities is not None and key in _QUANTITIES and key not in quantities
        if key in given or is_other or _is_unneeded(key, quantities):
            continue
        given[key] = Answer(value, COMPENSATION if key == "compensation" else EXAMPLE)
    if issubclass(source, IndicatingSource) and quantities is not None:
        units = given.get("units")
        if units is not None and isinstance(units.value, Mapping):
            kept = {key: unit for key, unit in units.value.items() if key in quantities}
            given["units"] = Answer(kept, units.unsure)
    return given


_QUANTITIES = ("conductivity", "temperature", "pump")


def _tells_what_it_gives(table: Mapping[str, Any]) -> bool:
    return any(key in table for key in (*_QUANTITIES, "reply", "values"))


def _is_unneeded(key: str, quantities: frozenset[Any] | None) -> bool:
    """Say whether a key is for a quantity that the instrument does not give."""
    if quantities is None:
        return False
    if key == "compensation":
        return "conductivity" not in quantities
    return key == "units" and not quantities & {"conductivity", "temperature"}


def _ordered(driver: str, section: type[Source], given: Mapping[str, Answer]) -> list[str]:
    """Return where the instrument is, what is given, the driver's other keys, then common ones."""
    # Keys that every probe has besides are explained in the guide to the configuration.
    elsewhere = {*FIRST_KEYS, *LAST_KEYS, *_COMMON}
    own = [key for key in _keys(section) if key not in elsewhere]
    last = [key for key in LAST_KEYS if key in _keys(section)]
    device = DEVICE_KEYS.get(driver)
    return [*sorted(own, key=lambda key: (key != device, key not in given)), *last]


_COMMON = frozenset(
    {
        *("conductivity_u_percent", "temperature_u_C", "linearity_percent", "zero_limits_mS_cm"),
        *("cell_temperature_C", "drift_percent_30d", "calibrate_every_days", "calibrate_with"),
    }
)


def _keys(section: type[Source]) -> list[str]:
    return [field.alias or key for key, field in section.model_fields.items()]


def _explained(key: str, section: type[Source], meaning: str) -> Iterator[str]:
    """Yield the meaning of a key and what it may be, as comments."""
    field = next(each for name, each in section.model_fields.items() if key in (name, each.alias))
    words = " ".join(meaning.split()).replace('None (in the file: "none")', '"none"')
    words = words.replace("None", "left out")
    allowed = f" Give {field.description}." if field.description else ""
    yield from textwrap.wrap(
        f"{words}{allowed}".strip(),
        WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_on_hyphens=False,
        break_long_words=False,
    )


def _marked(answer: Answer) -> list[str]:
    if not answer.unsure:
        return []
    return textwrap.wrap(
        f"CHECK: {answer.unsure}" + ("" if answer.unsure.endswith("?") else "."),
        WIDTH,
        initial_indent="# ",
        subsequent_indent="#   ",
        break_on_hyphens=False,
    )


def _default(section: type[Source], key: str) -> str:
    field = next(each for name, each in section.model_fields.items() if key in (name, each.alias))
    try:
        value = field.get_default(call_default_factory=True, validated_data={})
    except (KeyError, TypeError, ValueError):
        return "..."
    return "..." if value is None else toml(value)


def _meanings(section: type[Source]) -> dict[str, str]:
    """Return what each key means, as the sections say it of their attributes."""
    found: dict[str, str] = {}
    for each in reversed(section.__mro__):
        attributes = (each.__doc__ or "").partition("Attributes:")[2]
        for match in _KEY_MEANING.finditer(textwrap.indent(textwrap.dedent(attributes), "    ")):
            found[match[1]] = match[2]
    return found


def toml(value: object) -> str:
    """Return a value as TOML has it.

    Raises:
        TypeError: TOML has no such value.
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value!r}"
    if isinstance(value, str | Path):
        return _text(str(value))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    dump = getattr(value, "model_dump", None)
    if dump is not None:
        return toml({key: each for key, each in dump().items() if each is not None})
    raise TypeError(f"TOML has no value for {type(value).__name__}")


def _text(value: str) -> str:
    """Return a text as TOML has it: literally where it holds a backslash, if that can be."""
    if "\\" in value and "'" not in value and value.isprintable():
        return f"'{value}'"
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    for sign, written in (("\n", "\\n"), ("\r", "\\r"), ("\t", "\\t")):
        escaped = escaped.replace(sign, written)
    return (
        '"'
        + "".join(each if each.isprintable() else f"\\U{ord(each):08x}" for each in escaped)
        + '"'
    )
