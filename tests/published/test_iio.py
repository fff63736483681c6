"""Channels of Industrial I/O against the outputs that the kernel's documentation shows."""

from __future__ import annotations

import pytest

from daemon.wire.iio import Channel, value

SHOWN = [
    ("in_accel_x", "-275924", "0.000000037", -0.010209188),
    ("in_accel_y", "-30142222", "0.000000037", -1.115262214),
    ("in_accel_z", "261265769", "0.000000037", 9.666833453),
    ("in_anglvel_x", "-3324626", "0.000000006", -0.019947756),
    ("in_anglvel_y", "1336980", "0.000000006", 0.00802188),
    ("in_anglvel_z", "-602983", "0.000000006", -0.003617898),
    ("in_accel_x", "-1771", "0.004903325", -8.683788575),
    ("in_accel_y", "282", "0.004903325", 1.38273765),
    ("in_accel_z", "-1523", "0.004903325", -7.467763975),
]
"""A channel, its `_raw`, its `_scale` and the processed value beside it.

Source: Linux, Documentation/iio/adis16475.rst and adxl380.rst, "Usage examples".
"""


@pytest.mark.parametrize("name, raw, scale, processed", SHOWN)
def test_the_examples_of_the_kernels_documentation(
    name: str, raw: str, scale: str, processed: float
) -> None:
    """Each processed value, to its last figure."""
    channel = Channel(name, raw=f"{raw}\n".encode(), scale=f"{scale}\n".encode())

    assert processed == value(channel)


def test_an_offset_is_added_before_the_scale_is_applied() -> None:
    """Source: as above: processed value = (_raw + _offset) * _scale."""
    channel = Channel("in_temp", raw=b"1000\n", offset=b"-200\n", scale=b"31.25\n")

    assert 25_000.0 == value(channel)


def test_conductivity_is_in_siemens_per_metre() -> None:
    """50.31 mS/cm is 5.031 S/m; a raw number of 503100 at 0.00001 says so.

    Source: Linux, Documentation/ABI/testing/sysfs-bus-iio, in_electricalconductivity_raw.
    """
    channel = Channel("in_electricalconductivity", raw=b"503100\n", scale=b"0.000010000\n")

    assert 5.031 == value(channel)


def test_what_the_driver_scaled_is_taken_as_it_is() -> None:
    """Source: as above, in_temp_input: milli degrees Celsius."""
    assert 24_500.0 == value(Channel("in_temp", processed=b"24500\n"))
