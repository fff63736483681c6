"""Two sections that name one device of Industrial I/O, alike or each in its own way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.probes import registry
from daemon.probes.driver import Buses
from daemon.probes.registry import SECTIONS
from simulators.iio import CONDUCTIVITY, TEMPERATURE, IioDevice
from tests.parts.configurations import configuration
from tests.parts.reading_by_turns import Turns

LABEL = '{ label = "quarantine" }'


def two(folder: Path, *ways: str) -> list[Turns]:
    """Two probes of one reservoir, each of which tells its device in its own way."""
    text = configuration(
        "".join(
            f'[[reservoir.probe]]\nname = "ct-{number}"\ndriver = "iio"\ndevice = {way}\n'
            f'conductivity = "{CONDUCTIVITY}"\ntemperature = "{TEMPERATURE}"\n'
            f'compensation = "none"\nsysfs = "{folder}"\n'
            for number, way in enumerate(ways, 1)
        )
    )
    (reservoir,) = parse(text, Path("b.toml"), SECTIONS).reservoirs
    buses = Buses()
    return [Turns(registry.make(reservoir.name, each, buses)) for each in reservoir.probes]


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    """Closes the drivers of a test."""
    with ExitStack() as one:
        yield one


def device(folder: Path, **facts: object) -> None:
    """A device in water of 50.31 mS/cm and 24.5 °C."""
    IioDevice.at(folder, **facts).measure(50.31, 24.5)


def temperatures(one: Turns) -> list[float | None]:
    """What the next turn gives."""
    return [each.temperature_C for each in one.turn()]


def test_one_device_is_one_section(tmp_path: Path) -> None:
    """Two probes of one device would pass for two instruments that agree."""
    with pytest.raises(ConfigError) as caught:
        two(tmp_path, LABEL, LABEL)

    assert "is the device of" in " ".join(caught.value.faults)


@pytest.mark.parametrize(
    "ways", [(LABEL, '{ name = "ec-sensor" }'), ('{ name = "ec-sensor" }', LABEL)]
)
def test_a_device_that_two_sections_tell_in_two_ways_is_one_instrument(
    tmp_path: Path, stack: ExitStack, ways: tuple[str, str]
) -> None:
    """The first section reads it, and the second one says why it does not."""
    device(tmp_path, label="quarantine")
    first, second = two(tmp_path, *ways)
    stack.enter_context(closing(first.driver))
    stack.enter_context(closing(second.driver))

    assert [24.5] == temperatures(first)
    assert "it is the device of ct-1 as well; correct device of one of the two" in second.fault()
    assert [24.5] == temperatures(first)


def test_two_devices_are_two_instruments(tmp_path: Path, stack: ExitStack) -> None:
    """Though one is told by its label and the other by its name."""
    device(tmp_path, label="quarantine")
    device(tmp_path, name="ec-other", index=1)
    for one in two(tmp_path, LABEL, '{ name = "ec-other" }'):
        stack.enter_context(closing(one.driver))
        assert [24.5] == temperatures(one)
