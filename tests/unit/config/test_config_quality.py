"""Thresholds of the quality tests are taken together or refused in a sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration


@pytest.mark.parametrize(
    "quality, part",
    [
        ("spike_suspect_ppt = 5", "must not be above spike_fail_ppt = 3 ppt"),
        ("flat_fail_min = 5", "must not be below flat_suspect_min = 10 minutes"),
        (
            "attenuated_suspect_mS_cm = 0.1\nattenuated_fail_mS_cm = 0.2",
            "must not be above attenuated_suspect_mS_cm = 0.1 mS/cm",
        ),
        ("temperature_range_C = [40, 0]", "the first number must be below the second"),
        ("temperature_range_C = [0]", "two rising numbers in °C"),
        ("gap = 3", "nearest is gap_s"),
    ],
)
def test_thresholds_must_make_sense_together(quality: str, part: str) -> None:
    """Quality thresholds are checked against each other and against their defaults."""
    with pytest.raises(ConfigError) as caught:
        parse(configuration(f"[reservoir.quality]\n{quality}\n"), Path("b.toml"), SECTIONS)
    found = caught.value.faults

    assert any("reservoir[mix-1].quality." in one and part in one for one in found), found
