"""Every driver has a page: wiring, sections that load, all its keys, what each fault asks for."""

from __future__ import annotations

import ast
import json
import re
import typing
from functools import cache
from pathlib import Path

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from daemon.config import parse
from daemon.probes.registry import MODULES, SECTIONS, kind
from tests.docs.guides import ROOT, blocks, text_of
from tests.docs.test_guides import completed

DRIVERS = [*MODULES]
COMMON = ("name", "driver")
"""Keys of every section, which the guide to the configuration shows."""
AS_OF_A_LINE = "as of a line"
LONGEST_PAGE_LINES = 130
SPOKEN_BY = ("probes", "wire", "config", "broker.py", "secret_files.py", "rights.py", "cli/find.py")
"""Where the sentences come from that a driver says."""
WORD = re.compile(r"[A-Za-z]{2,}")


def page_of(driver: str) -> str:
    """The page of a driver, relative to the root."""
    return f"deploy/guides/probe-{driver.replace('_', '-')}.md"


def tables(page: str) -> list[list[list[str]]]:
    """The tables of a page: rows of cells, the head first."""
    found: list[list[list[str]]] = [[]]
    for line in text_of(page).splitlines():
        cells = [each.strip() for each in re.split(r"(?<!\\)\|", line.strip())[1:-1]]
        if not cells:
            found.append([])
        elif cells[0].strip("-"):
            found[-1].append(cells)
    return [each for each in found if each]


def faults_on(page: str) -> list[str]:
    """What its driver says of faults, as a page shows it."""
    after = text_of(page).partition("fault means\n")[2]
    table = next(each for each in tables(page) if f"| {each[1][0]} |" in after)
    return [code for row in table[1:] for code in re.findall(r"`([^`]+)`", row[0])]


@cache
def keys_on(page: str) -> dict[str, tuple[str, str]]:
    """What a page has of each key: its default, and the whole row."""
    (table,) = (each for each in tables(page) if each[0][0] == "key")
    column = table[0].index("default")
    return {
        key: (cells[column].replace("`", ""), " ".join(cells))
        for cells in table[1:]
        for key in re.findall(r"`([A-Za-z_]+)`", cells[0])
    }


def lacking(key: str, field: FieldInfo, shown: str, row: str) -> str:
    """What the row of a key lacks of its default; empty where nothing is."""
    default = field.default
    if AS_OF_A_LINE in row:
        return "" if key in keys_on(page_of("line")) else "is not on the page of a line"
    if default is PydanticUndefined and field.default_factory is None:
        return "" if "needed" in shown else "does not say that it is needed"
    if isinstance(default, str | bool | int | float):
        expected = f"{default:g}" if type(default) in (int, float) else json.dumps(default)
        there = re.search(rf"(?<![\w.]){re.escape(expected)}(?![\w.])", shown)
        return "" if there else f"does not show {expected}"
    return "" if shown else "says nothing"


def parts_of(field: FieldInfo) -> set[str]:
    """The keys within a key whose value is a table."""
    models, left = [], [field.annotation]
    while left:
        each = left.pop()
        left += typing.get_args(each)
        if isinstance(each, type) and issubclass(each, BaseModel):
            models.append(each)
    fields = [each for model in models for each in model.model_fields.items()]
    return {field.alias or name for name, field in fields}


@cache
def sentences() -> tuple[frozenset[str], ...]:
    """The words of each text that the program may say, whichever it is made of."""
    files = [path for each in SPOKEN_BY for path in _modules(ROOT / "daemon" / each)]
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in files]
    texts = [
        ast.unparse(node)
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.JoinedStr)
        or (isinstance(node, ast.Constant) and " " in str(node.value))
    ]
    return tuple(frozenset(WORD.findall(each)) for each in texts)


def _modules(place: Path) -> list[Path]:
    return [place] if place.is_file() else sorted(place.rglob("*.py"))


def unsaid(shown: str) -> list[str]:
    """The words of a fault that the sentence of the code nearest to it lacks."""
    words = frozenset(WORD.findall(re.sub(r"'\w+'|\b0x\w+", "", shown)))
    lacks = [sorted(words - each) for each in sentences()]
    return min(lacks, key=len)


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_driver_has_a_page(driver: str) -> None:
    """Named as the driver is."""
    assert (ROOT / page_of(driver)).is_file()


@pytest.mark.parametrize("driver", DRIVERS)
def test_a_page_shows_a_section_of_its_driver_that_loads(driver: str, tmp_path: Path) -> None:
    """Each section that it shows; at least one of them is of the driver itself."""
    names: set[str] = set()
    for block in blocks(page_of(driver), "toml"):
        config = parse(completed(block.text), tmp_path / "brinewright.toml", SECTIONS)
        names |= {each.driver for one in config.reservoirs for each in one.probes}
        names |= {each.driver for each in config.inputs}
        assert "UncheckedProbe" not in {
            type(p).__name__ for r in config.reservoirs for p in r.probes
        }

    assert driver in names


@pytest.mark.parametrize("driver", DRIVERS)
def test_a_page_names_every_key_with_its_default(driver: str) -> None:
    """And no key that the section does not have."""
    fields = kind(driver).section.model_fields
    there = keys_on(page_of(driver))
    within = {name for field in fields.values() for name in parts_of(field)}

    assert [] == [key for key in fields if key not in there and key not in COMMON]
    assert [] == [key for key in there if key not in fields and key not in within]
    found = {key: lacking(key, fields[key], *there[key]) for key in there if key in fields}
    assert {} == {key: why for key, why in found.items() if why}


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_fault_that_a_page_shows_is_one_that_is_said(driver: str) -> None:
    """Who has the sentence on the screen finds it: all its words but one stand in one sentence."""
    shown = faults_on(page_of(driver))

    assert len(shown) >= 3
    assert {} == {each: lacks for each in shown if len(lacks := unsaid(each)) > 1}


@pytest.mark.parametrize("driver", DRIVERS)
def test_a_page_has_wiring_with_cautions_and_is_short(driver: str) -> None:
    """Mains and water, licensed practice; and it is read to its end."""
    text = text_of(page_of(driver))
    (wiring,) = re.findall(r"^## Wiring\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)

    assert len(text.splitlines()) <= LONGEST_PAGE_LINES
    assert re.search(r"[Uu]nplug", wiring)
    assert "licensed electrician" in " ".join(wiring.split())


def test_a_page_that_is_wrong_is_noticed() -> None:
    """The checks above can fail: another number or word, nothing, a fault that nobody says."""
    fields = kind("line").section.model_fields
    shown = {"baud": "19200", "parity": '"E"', "timeout_s": "", "port": "none", "stopbits": "1"}

    assert {
        "baud": "does not show 9600",
        "parity": 'does not show "N"',
        "timeout_s": "says nothing",
        "port": "does not say that it is needed",
        "stopbits": "",
    } == {key: lacking(key, fields[key], each, "") for key, each in shown.items()}
    assert [] == unsaid("another program holds it")
    assert len(unsaid("a whale sits upon the adapter")) > 1
