"""Configuration of what release asks for besides salinity, and of when batches are wanted."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest

from daemon import assembly
from daemon.config import ConfigError, models, parse
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.station.station import ReservoirSettings

PLAIN = """
[station]
name = "quarantine-wing"
STATION

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
RESERVOIR
"""
ALL = """
warn_before_h = 6
remix_every_h = 12
purified_max_uS_cm = 50
temperature_range_C = [23.5, 26]
needs_confirmation = true
needs_second_reading = true
release_short = true

[[reservoir.due]]
day = "saturday"
time = "10:00"
volume_l = 60
remind_before_min = 720

[[reservoir.due]]
day = "daily"
time = "7:05"
tank_l = 50
change_percent = 10
"""


def settings(reservoir: str = "", station: str = "") -> ReservoirSettings:
    """The settings of a reservoir with these lines."""
    text = PLAIN.replace("STATION", station).replace("RESERVOIR", reservoir)
    return assembly.reservoirs(parse(text, Path("brinewright.toml")))["mix-1"]


def test_every_key_reaches_the_part_that_judges_by_it() -> None:
    """None of them is read and forgotten."""
    found = settings(ALL, 'timezone = "Europe/Lisbon"')

    assert (6.0, 12.0, 50.0, (23.5, 26.0), True, True, True) == (
        found.batch.warn_before_h,
        found.batch.remix_every_h,
        found.batch.purified_max_uS_cm,
        found.batch.temperature_range_C,
        found.batch.needs_confirmation,
        found.batch.needs_second_reading,
        found.batch.release_short,
    )
    assert (
        DueBatch(5, 10, 0, 60.0, remind_before_min=720.0),
        DueBatch(None, 7, 5, 5.0, 0.1),
    ) == found.due
    assert ZoneInfo("Europe/Lisbon") == found.zone


def test_without_them_release_asks_for_salinity_alone() -> None:
    """And the defaults of the file are those of the part."""
    found, plain = settings(), BatchSettings()

    assert (plain.warn_before_h, plain.remix_every_h, plain.purified_max_uS_cm) == (
        found.batch.warn_before_h,
        found.batch.remix_every_h,
        found.batch.purified_max_uS_cm,
    )
    assert (None, False, False, False, ()) == (
        found.batch.temperature_range_C,
        found.batch.needs_confirmation,
        found.batch.needs_second_reading,
        found.batch.release_short,
        found.due,
    )


def test_utc_needs_no_list_of_time_zones(monkeypatch: pytest.MonkeyPatch) -> None:
    """A small system without one starts all the same."""

    def unknown(name: str) -> ZoneInfo:
        raise ZoneInfoNotFoundError(name)

    monkeypatch.setattr(models, "ZoneInfo", unknown)

    assert UTC == settings().zone
    assert UTC == settings(station='timezone = "UTC"').zone


@pytest.mark.parametrize(
    "line, parts",
    [
        ("temperature_range_C = [26, 23]", ["temperature_range_C", "below the second"]),
        ("temperature_range_C = 25", ["temperature_range_C", "two rising numbers"]),
        ("needs_confirmation = 1", ["needs_confirmation", "true or false"]),
        ("warn_before_h = -1", ["warn_before_h", "0 to 8760 hours"]),
        ("remix_every_h = 0", ["remix_every_h", "0.5 to 8760 hours"]),
        ("purified_max_uS_cm = 0", ["purified_max_uS_cm", "1 to 10000"]),
        ("need_confirmation = true", ["need_confirmation", "needs_confirmation"]),
        ('due = "saturday"', ["due", "[[reservoir.due]]"]),
        ('[[reservoir.due]]\ntime = "10:00"\nvolume_l = 6', ["due", "day", "monday"]),
        (
            '[[reservoir.due]]\nday = "caturday"\ntime = "10:00"\nvolume_l = 6',
            ["caturday", "saturday"],
        ),
        ('[[reservoir.due]]\nday = "daily"\ntime = "24:00"\nvolume_l = 6', ["24:00", "no such"]),
        ('[[reservoir.due]]\nday = "daily"\ntime = "noon"\nvolume_l = 6', ["noon", "hours and"]),
        ('[[reservoir.due]]\nday = "daily"\ntime = "10:00"\nvolume_l = 0', ["volume_l", "litres"]),
        ('[[reservoir.due]]\nday = "daily"\ntime = "10:00"', ["volume_l", "tank_l"]),
        ('[[reservoir.due]]\nday = "daily"\ntime = "10:00"\ntank_l = 600', ["change_percent"]),
        (
            '[[reservoir.due]]\nday = "daily"\ntime = "10:00"\nvolume_l = 6\ntank_l = 600',
            ["either volume_l or both"],
        ),
        (
            '[[reservoir.due]]\nday = "daily"\ntime = "10:00"\ntank_l = 6000\nchange_percent = 10',
            ["change_percent", "600 L", "capacity_l"],
        ),
    ],
)
def test_a_fault_is_a_sentence_with_key_and_remedy(line: str, parts: list[str]) -> None:
    """What is wrong, where, and what is allowed."""
    with pytest.raises(ConfigError) as caught:
        settings(line)

    (fault,) = caught.value.faults
    for part in parts:
        assert part in fault


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "../UTC", "/etc/passwd"])
def test_an_unknown_time_zone_is_named(zone: str) -> None:
    """With an example of one that is known."""
    with pytest.raises(ConfigError, match=r"station\.timezone .*Europe/Lisbon"):
        settings(station=f'timezone = "{zone}"')
