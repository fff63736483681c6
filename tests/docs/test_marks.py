"""A default without a source says so where a keeper reads it: in the example and the guides."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

from daemon.config.models import Quality, Reservoir
from daemon.config.probe import Probe
from daemon.mixing.batch.advice import FIRST_SHARE
from daemon.mixing.probe.own_history import APART_PPT
from daemon.mixing.station.conditions import DRIFT_PPT

ROOT = Path(__file__).parents[2]
EXAMPLE = (ROOT / "deploy" / "brinewright.toml").read_text(encoding="utf-8")
GUIDES = " ".join(
    " ".join(path.read_text(encoding="utf-8").split())
    for path in sorted((ROOT / "deploy/guides").glob("*.md"))
)
MARK = re.compile(r"common practice, no source|our own choice")
OF_RESERVOIR = (
    "target_ppt",
    "tolerance_ppt",
    "use_within_h",
    "warn_before_h",
    "remix_every_h",
    "settle_within_min",
    "release_confidence",
    "blank_max_ppt",
    "mix_yield",
    "temperature_range_C",
)
OF_PROBE = ("conductivity_u_percent", "temperature_u_C", "calibrate_every_days")


def description_of(key: str, section: type) -> str:
    """What the docstring of a section says of one key."""
    # Cleaned, since Python 3.13 takes the indentation off and earlier ones do not.
    told = inspect.cleandoc(str(section.__doc__))
    found = re.search(rf"^ +{key}: (.*(?:\n {{8}}.*)*)", told, re.MULTILINE)
    assert found, f"{section.__name__} says nothing of {key}"
    return " ".join(found[1].split())


@pytest.mark.parametrize("key", [*OF_RESERVOIR, *OF_PROBE])
def test_the_example_marks_what_has_no_source(key: str) -> None:
    """Beside the value itself."""
    (line, *_) = re.findall(rf"^(?:# )?{key} = .*$", EXAMPLE, re.MULTILINE)

    assert MARK.search(line), line


@pytest.mark.parametrize(
    "key, section",
    [*((key, Reservoir) for key in OF_RESERVOIR), *((key, Probe) for key in OF_PROBE)],
)
def test_the_configuration_marks_what_has_no_source(key: str, section: type) -> None:
    """In the description of the key."""
    assert MARK.search(description_of(key, section))


def test_the_limits_of_quality_are_marked_together() -> None:
    """All of them are ours."""
    assert "our own choice" in str(Quality.__doc__)
    assert re.search(r"our own choice.*\n# \[reservoir\.quality\]", EXAMPLE)


@pytest.mark.parametrize(
    "sentence",
    [
        "weekly (common practice, no source)",
        "about four fifths of it (common practice, no source)",
        "0.3 ppt (our own choice)",
    ],
)
def test_the_guide_marks_what_has_no_key(sentence: str) -> None:
    """What is fixed in the program is in a guide, with its mark."""
    assert sentence in GUIDES


def test_the_figures_in_the_guide_are_those_of_the_program() -> None:
    """Four fifths and 0.3 ppt, twice."""
    assert (0.8, 0.3, 0.3) == (FIRST_SHARE, DRIFT_PPT, APART_PPT)
