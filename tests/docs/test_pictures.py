"""The pictures of the README are small, can be read by a browser, and are made by one command."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from daemon.config import load
from tests.browser.pictures import PICTURES, MissingError, configure, curve_of

LARGEST_BYTES = 150_000
PNG_BEGINS = b"\x89PNG\r\n\x1a\n"


def test_the_pictures_are_small() -> None:
    """A clone stays small, and a README opens at once."""
    sizes = {path.name: path.stat().st_size for path in PICTURES.iterdir()}

    assert {"now-light.png", "now-dark.png", "curve.svg"} == set(sizes)
    assert max(sizes.values()) < LARGEST_BYTES


def test_the_pictures_are_what_their_names_say() -> None:
    """Two PNG, and an SVG that stands alone: a name space, a size, lines and words."""
    curve = ET.parse(PICTURES / "curve.svg").getroot()  # noqa: S314 - our own file
    names = {element.tag.rpartition("}")[2] for element in curve.iter()}

    for name in ("now-light.png", "now-dark.png"):
        assert (PICTURES / name).read_bytes().startswith(PNG_BEGINS)
    assert "{http://www.w3.org/2000/svg}svg" == curve.tag
    assert "viewBox" in curve.attrib
    assert {"text", "polyline"} <= names


def test_the_curves_are_taken_whole_out_of_a_sheet() -> None:
    """Drawings within a drawing belong to it, and only the rules of charts go with them."""
    sheet = (
        "<style>\n:root { --ink: #000; }\nbody { margin: 0; }\n.chart .curve { fill: none; }\n"
        '</style><p>a</p><svg class="chart" viewBox="0 0 9 5"><svg><g/></svg></svg>'
        '<svg class="chart" viewBox="0 0 4 6"></svg>'
    )

    assert (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 21 6" style="background:#fff">\n'
        "<style>:root { --ink: #000; }\n.chart .curve { fill: none; }</style>\n"
        '<svg x="0" width="9" height="5" class="chart" viewBox="0 0 9 5"><svg><g/></svg></svg>\n'
        '<svg x="17" width="4" height="6" class="chart" viewBox="0 0 4 6"></svg>\n'
        "</svg>\n"
    ) == curve_of(sheet)


def test_a_sheet_without_a_curve_is_refused() -> None:
    """No empty picture takes the place of a good one."""
    with pytest.raises(MissingError, match="holds no curve"):
        curve_of("<p>nothing was read</p>")


def test_the_configuration_of_the_pictures_loads(tmp_path: Path) -> None:
    """Of the demo's template, with a page where it is wanted."""
    config = load(configure(tmp_path, "127.0.0.1:8499", 60))

    assert "127.0.0.1:8499" == config.page.listen
    assert tmp_path / "journal.db" == config.journal.path
