"""The proof for another processor finds what it is there to find."""

from __future__ import annotations

import hashlib
import math
import zipfile
from pathlib import Path

import pytest

from tests.campaigns.aarch64 import recordings, replays, wheels
from tests.campaigns.aarch64.replays import Outcome
from tests.campaigns.aarch64.systems import SYSTEMS


def lock_of_one(folder: Path, tag: str, requires: str = "") -> Path:
    """A lock with one package, of which there is one wheel, of this tag, in the folder."""
    wheel = folder / f"salt-1.0-{tag}.whl"
    metadata = f"Metadata-Version: 2.1\nName: salt\nVersion: 1.0\n{requires}"
    with zipfile.ZipFile(wheel, "w") as parts:
        parts.writestr("salt-1.0.dist-info/METADATA", metadata)
        parts.writestr("salt-1.0.dist-info/WHEEL", f"Wheel-Version: 1.0\nTag: {tag}\n")
        parts.writestr("salt-1.0.dist-info/RECORD", "")
    lock = folder / "lock.txt"
    checksum = hashlib.sha256(wheel.read_bytes()).hexdigest()
    lock.write_text(f"salt==1.0 --hash=sha256:{checksum}\n")
    return lock


def lacks(folder: Path, monkeypatch: pytest.MonkeyPatch, tag: str, requires: str = "") -> str:
    """What pip says of that lock on the newer system, with nothing but that wheel to be had."""
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(folder))
    lock = lock_of_one(folder, tag, requires)
    return "\n".join(wheels.install(SYSTEMS[1], lock, folder / "there", dry=True))


@pytest.mark.parametrize("tag", ["cp313-cp313-manylinux_2_28_aarch64", "py3-none-any"])
def test_a_wheel_that_fits_is_taken(
    tag: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A package that a Raspberry Pi can install is no fault."""
    assert "" == lacks(tmp_path, monkeypatch, tag)


@pytest.mark.parametrize(
    "tag",
    [
        "cp313-cp313-manylinux_2_28_x86_64",
        "cp313-cp313-manylinux_2_28_armv7l",
        "cp311-cp311-manylinux_2_28_aarch64",
        "cp313-cp313-manylinux_2_42_aarch64",
        "cp313-cp313-musllinux_1_2_aarch64",
    ],
)
def test_a_wheel_of_another_machine_is_none(
    tag: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of another processor, Python or a newer C library it does not count."""
    assert "No matching distribution found for salt==1.0" in lacks(tmp_path, monkeypatch, tag)


def test_a_dependency_that_the_lock_has_not_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that is not whole would stop an installation on the board."""
    said = lacks(tmp_path, monkeypatch, "py3-none-any", "Requires-Dist: water>=1\n")

    assert "water" in said


def test_the_first_difference_of_two_runs_is_shown() -> None:
    """The line that differs, the line that is missing, the message or the exit code."""
    one = Outcome(0, b"a\nb\n", b"")

    assert "" == replays.first_difference(one, Outcome(0, b"a\nb\n", b""))
    assert "event 2\n  here:  b\n  there: c" == replays.first_difference(
        one, Outcome(0, b"a\nc\n", b"")
    )
    assert "event 2\n  here:  b\n  there: (no line)" == replays.first_difference(
        one, Outcome(0, b"a\n", b"")
    )
    assert "message 1" in replays.first_difference(one, Outcome(0, b"a\nb\n", b"row skipped"))
    assert "exit code 0 here, 1 there" in replays.first_difference(one, Outcome(1, b"a\nb\n", b""))


@pytest.mark.parametrize(
    "there, expected",
    [
        ('{"salinity": 34.0, "flag": 1}', 0.0),
        ('{"salinity": 34.00000001, "flag": 1}', pytest.approx(2.94e-10, rel=0.01)),
        ('{"salinity": null, "flag": 1}', math.inf),
        ('{"salinity": 34.0, "flag": 2}', math.inf),
        ('{"salinity": 34.0}', math.inf),
    ],
)
def test_only_fractions_may_differ(there: str, expected: float) -> None:
    """A flag, a missing value or a missing key is never nearly the same."""
    here = '{"salinity": 34.0, "flag": 1}'

    assert expected == replays.largest_difference([here], [there])


def test_another_number_of_readings_is_a_difference() -> None:
    """Runs of which one stopped early are not the same as far as they go."""
    assert math.inf == replays.largest_difference(["{}", "{}"], ["{}"])


def test_the_odd_rows_are_odd(tmp_path: Path) -> None:
    """One is out of order and ten are no readings, and are named; all others are taken."""
    path = recordings.write(recordings.ODD, 1, tmp_path)
    outcome = replays.replay(path, tmp_path / "journal.db")

    assert 0 == outcome.code
    assert b": 11 rows skipped" in outcome.err
    assert 3611 == len(replays.readings(tmp_path / "journal.db"))
