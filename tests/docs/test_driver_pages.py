"""Every driver has a page: wiring, sections that load, all its keys, what each fault asks for."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from daemon.config import parse
from daemon.probes.registry import MODULES, SECTIONS, kind
from tests.docs.guides import ROOT, blocks, text_of
from tests.docs.test_guides import completed

WITHOUT_PAGE: frozenset[str] = frozenset()
"""Drivers whose page is still to be written."""
DRIVERS = [each for each in MODULES if each not in WITHOUT_PAGE]
COMMON = ("name", "driver")
"""Keys of every section, which the guide to the configuration shows."""
AS_OF_A_LINE = "as of a line"
LONGEST_PAGE_LINES = 130
JOINED = re.compile(r'"\s*\n\s*f?"')
"""Where one sentence goes on in the next line of code."""
UNSAID = re.compile(r"…|\b0x[0-9A-Fa-f]+\b|\b\d+\b")
"""In a sentence that a page shows: what differs from case to case."""


def page_of(driver: str) -> str:
    """The page of a driver, relative to the root."""
    return f"deploy/guides/probe-{driver.replace('_', '-')}.md"


def rows(page: str, head: str) -> list[list[str]]:
    """The cells of the rows of the tables whose first cell is so headed."""
    found: list[list[str]] = []
    inside = False
    for line in text_of(page).splitlines():
        cells = [each.strip() for each in re.split(r"(?<!\\)\|", line.strip())[1:-1]]
        inside = cells[:1] == [head] or (inside and bool(cells))
        if inside and cells[0] != head and cells[0].strip("-"):
            found.append(cells)
    return found


@cache
def keys_on(page: str) -> dict[str, list[str]]:
    """The row of each key that a page has in its table."""
    return {
        key: cells for cells in rows(page, "key") for key in re.findall(r"`([A-Za-z_]+)`", cells[0])
    }


def lacking(key: str, field: FieldInfo, cells: list[str]) -> str:
    """What the row of a key lacks of its default; empty where nothing is."""
    default, shown = field.default, cells[2].replace("`", "")
    if AS_OF_A_LINE in cells[3]:
        return "" if key in keys_on(page_of("line")) else "is not on the page of a line"
    if default is PydanticUndefined and field.default_factory is None:
        return "" if "needed" in shown else "does not say that it is needed"
    if isinstance(default, bool | str):
        expected = json.dumps(default)
        return "" if shown.startswith(expected) else f"does not begin with {expected}"
    if isinstance(default, int | float):
        return "" if f"{default:g}" == shown else f"is not {default:g}"
    return "" if shown else "says nothing"


@pytest.mark.parametrize("driver", MODULES)
def test_every_driver_has_a_page(driver: str) -> None:
    """Named as the driver is; and none is excused that has one."""
    assert (driver in WITHOUT_PAGE) != Path(ROOT / page_of(driver)).exists()


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

    assert [] == [key for key in fields if key not in there and key not in COMMON]
    assert [] == [key for key in there if key not in fields]
    found = {key: lacking(key, fields[key], cells) for key, cells in there.items()}
    assert {} == {key: why for key, why in found.items() if why}


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_fault_that_a_page_shows_is_one_that_is_said(driver: str) -> None:
    """Who has the sentence on the screen finds it, and nothing else stands there."""
    sources = (each.read_text(encoding="utf-8") for each in sorted((ROOT / "daemon").rglob("*.py")))
    said = JOINED.sub("", "\n".join(sources))
    shown = [
        code
        for cells in rows(page_of(driver), "it says")
        for code in re.findall("`([^`]+)`", cells[0])
    ]
    pieces = [piece.strip() for code in shown for piece in UNSAID.split(code)]

    assert len(shown) >= 3
    assert [] == [piece for piece in pieces if piece and piece not in said]


@pytest.mark.parametrize("driver", DRIVERS)
def test_a_page_has_wiring_with_cautions_and_is_short(driver: str) -> None:
    """Mains and water, licensed practice; and it is read to its end."""
    text = text_of(page_of(driver))
    (wiring,) = re.findall(r"^## Wiring\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)

    assert len(text.splitlines()) < LONGEST_PAGE_LINES
    assert re.search(r"[Uu]nplug", wiring)
    assert "licensed electrician" in " ".join(wiring.split())


def test_a_default_that_a_page_shows_wrong_is_noticed() -> None:
    """The check above can fail: for another number, another word, nothing, and a need unsaid."""
    fields = kind("line").section.model_fields
    rows_of = {
        key: ["", "", shown, ""]
        for key, shown in (
            ("baud", "19200"),
            ("parity", '`"E"`'),
            ("timeout_s", ""),
            ("port", "none"),
            ("stopbits", "1"),
        )
    }
    found = {key: lacking(key, fields[key], cells) for key, cells in rows_of.items()}

    assert {
        "baud": "is not 9600",
        "parity": 'does not begin with "N"',
        "timeout_s": "says nothing",
        "port": "does not say that it is needed",
        "stopbits": "",
    } == found
