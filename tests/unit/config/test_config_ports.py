"""One port serves one probe, whichever of its names is written and in whichever reservoir."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.config import ConfigError, parse
from daemon.probes.registry import SECTIONS
from tests.conftest import PtyPair
from tests.parts.configurations import configuration

PROBE = r"""
[[reservoir.probe]]
name = "{name}"
driver = "line"
port = "{port}"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
"""
SECOND = """
[[reservoir]]
name = "mix-2"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""


def faults(first: str, second: str, between: str = "") -> list[str]:
    """What is wrong with a configuration of two probes on these ports."""
    probes = (
        PROBE.format(name="ct-1", port=first) + between + PROBE.format(name="ct-2", port=second)
    )
    try:
        parse(configuration(probes), Path("brinewright.toml"), SECTIONS)
    except ConfigError as exc:
        return exc.faults
    return []


@pytest.mark.parametrize("between", ["", SECOND], ids=["one reservoir", "two reservoirs"])
def test_a_port_that_is_named_twice_is_a_fault_that_names_both(between: str) -> None:
    """Also where no such device is there just now."""
    (fault,) = faults("/dev/no-such-port", "/dev/no-such-port", between)

    where = "reservoir[mix-2].probe[ct-2]" if between else "reservoir[mix-1].probe[ct-2]"
    assert fault == (
        f"brinewright.toml: {where}.port = '/dev/no-such-port' is the port of probe ct-1 of"
        " reservoir mix-1 already; one port serves one probe."
    )


@pytest.mark.parametrize("links", [1, 2])
def test_a_name_that_stays_and_the_device_that_it_leads_to_are_one_port(
    tmp_path: Path, pty_pair: PtyPair, links: int
) -> None:
    """Through one link or several, and whichever of the two is first in the file."""
    by_id = tmp_path / "usb-probe-1"
    target = Path(pty_pair.path)
    for number in range(links - 1):
        (tmp_path / f"link-{number}").symlink_to(target)
        target = tmp_path / f"link-{number}"
    by_id.symlink_to(target)

    for first, second in ((str(by_id), pty_pair.path), (pty_pair.path, str(by_id))):
        (fault,) = faults(first, second)
        assert "reservoir[mix-1].probe[ct-2].port = '" in fault
        assert f"of probe ct-1 of reservoir mix-1 already as {first!r}, which leads to" in fault


def test_two_nodes_of_one_device_are_one_port(tmp_path: Path) -> None:
    """As `/dev/char` has them; the number of the device is what counts."""
    node = tmp_path / "null"
    try:
        os.mknod(node, 0o600 | 0o020000, Path("/dev/null").stat().st_rdev)
    except PermissionError:
        pytest.skip("only root makes device nodes")

    (fault,) = faults("/dev/null", str(node))
    assert "already as '/dev/null', which leads to the same device" in fault


def test_a_link_to_a_device_that_is_away_is_compared_by_where_it_leads(tmp_path: Path) -> None:
    """An adapter that is out of its socket hides no fault."""
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB7")

    assert 1 == len(faults(str(tmp_path / "by-id"), str(tmp_path / "ttyUSB7")))
    assert 1 == len(faults("ttyUSB7", f"{Path.cwd()}/./ttyUSB7"))


@pytest.mark.parametrize(
    "first, second", [("/dev/a", "/dev/b"), ("/dev/null", "/dev/zero"), ("a\\u0000b", "a")]
)
def test_different_ports_are_none(first: str, second: str) -> None:
    """Nothing is said of them."""
    assert [] == [each for each in faults(first, second) if "already" in each]


def test_a_third_probe_is_named_too(pty_pair: PtyPair) -> None:
    """All faults at once; each names the first that had the port."""
    more = PROBE.format(name="ct-3", port=pty_pair.path)
    found = faults(pty_pair.path, pty_pair.path, more)

    assert 2 == len(found)
    assert all("of probe ct-1 of reservoir mix-1 already" in each for each in found)


def test_the_command_line_ends_with_78(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is opened."""
    monkeypatch.chdir(tmp_path)
    probes = "".join(PROBE.format(name=name, port="/dev/ttyUSB7") for name in ("ct-1", "ct-2"))
    Path("brinewright.toml").write_text(configuration(probes))

    assert 78 == invoke(["run"])
    assert 1 == len(capsys.readouterr().err.splitlines())
    assert ["brinewright.toml"] == [each.name for each in tmp_path.iterdir()]
