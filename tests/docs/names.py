"""The names of files and modules that a page mentions, and whether they exist."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator

from tests.docs.guides import ROOT

ROOMS = ("daemon", "calibration", "simulators", "tests", "deploy")
CODE = re.compile(r"`([^`\n]+)`")
PLACE = re.compile(rf"(?:{'|'.join(ROOMS)})(?:/[\w.*-]+)*/?")
DOTTED = re.compile(rf"(?<![\w/.])(?:{'|'.join(ROOMS[:4])})(?:\.\w+)+")


def missing_places(text: str) -> list[str]:
    """The paths in a page that lead nowhere; `*` stands for any name, and a folder ends in "/"."""
    return [place for place in places_in(text) if not any(ROOT.glob(place.rstrip("/")))]


def places_in(text: str) -> Iterator[str]:
    """Yield the paths of this repository that stand as code in a page."""
    for code in CODE.findall(text):
        for word in code.split():
            if "/" in word and PLACE.fullmatch(word):
                yield word


def missing_modules(text: str) -> list[str]:
    """The dotted names in a page that are neither a module nor a name within one."""
    return [name for name in DOTTED.findall(text) if not _exists(name)]


def _exists(name: str) -> bool:
    module, _, last = name.rpartition(".")
    if last == "COMMAND" or _is_importable(name):  # it stands for each module of its folder
        return True
    spec = importlib.util.find_spec(module) if _is_importable(module) else None
    if spec is None or spec.origin is None or not spec.origin.endswith(".py"):
        return False
    with open(spec.origin, encoding="utf-8") as source:  # noqa: PTH123 - a spec gives text
        return re.search(rf"\b{re.escape(last)}\b", source.read()) is not None


def _is_importable(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except ModuleNotFoundError:
        return False
