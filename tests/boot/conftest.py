"""Machines for tests: a fresh Debian of each release, booted or about to be."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest

from tests.boot.cache import UnavailableError
from tests.boot.installed import (
    PYTHON,
    ROOT,
    SOURCE,
    WHEELS,
    active,
    configure,
    install,
    until,
)
from tests.boot.instrument import SERVICE, add_instrument, allow_port
from tests.boot.machine import Machine
from tests.boot.prepare import prepare
from tests.boot.roots import RELEASES, make_root
from tests.boot.wheels import make_wheels

HERE = Path(__file__).parent
LONGEST_TEST_S = 900
READY_WITHIN_S = 120.0
"""Longest wait for both services, s; on a quiet machine they take less than 10 s."""

MakeMachine = Callable[..., Machine]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let the whole be run, of which `tests/run` runs a part."""
    parser.addoption(
        "--every-release",
        action="store_true",
        help="boot tests that `tests/run` has on one release of Debian are run on all",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What boots a system takes longer than others; the releases can be tested side by side."""
    left_out: list[pytest.Item] = []
    for item in items:
        if not item.path.is_relative_to(HERE):
            continue
        item.add_marker(pytest.mark.server)
        release = _release_of(item)
        item.add_marker(pytest.mark.xdist_group(release))
        if item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(LONGEST_TEST_S))
        only = item.get_closest_marker("on_release")
        if only and release not in only.args and not config.getoption("--every-release", False):
            left_out.append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [each for each in items if each not in left_out]


def _release_of(item: pytest.Item) -> str:
    if isinstance(item, pytest.Function) and hasattr(item, "callspec"):
        return str(item.callspec.params.get("release", ""))
    return ""


@pytest.fixture(scope="session")
def bootable() -> None:
    """Skips the tests, with the reason, where no system can be booted."""
    try:
        prepare()
    except UnavailableError as exc:
        pytest.skip(str(exc))


@pytest.fixture(scope="session", params=RELEASES)
def release(request: pytest.FixtureRequest, bootable: None) -> str:
    """Name of a Debian release; each test that takes it runs once a release."""
    return str(request.param)


@pytest.fixture
def make_machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakeMachine]:
    """A function that gives machines that are off; takes what `Machine` takes but the folder."""
    made: list[Machine] = []
    with ExitStack() as stack:

        def make(layers: Sequence[Path], mounts: Mapping[str, Path] | None = None) -> Machine:
            one = Machine(tmp_path_factory.mktemp("machine"), layers, mounts)
            made.append(stack.enter_context(one))
            return one

        yield make
        # pytest shows this beside a failure.
        for each in made:
            print(each.console)  # noqa: T201


@pytest.fixture
def machine(release: str, make_machine: MakeMachine) -> Machine:
    """A fresh system of the release, running."""
    one = make_machine([make_root(release)])
    assert one.boot() == "running"
    return one


def mounts_for(release: str) -> Mapping[str, Path]:
    """This checkout and the packages for a release's Python, where the installer finds them."""
    return {SOURCE: ROOT, WHEELS: make_wheels(RELEASES[release])}


@pytest.fixture(scope="session")
def installed(release: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, ...]]:
    """The disk of a machine on which the product measures a simulated instrument."""
    folder = tmp_path_factory.mktemp(f"installed-{release}")
    with Machine(folder, [make_root(release)], mounts_for(release)) as machine:
        assert "running" == machine.boot()
        done = install(machine)
        assert 0 == done.returncode, done.stdout + done.stderr
        add_instrument(machine, PYTHON, speed=1.0)
        allow_port(machine, "brinewright-measure.service")
        configure(machine)
        machine.run(["systemctl", "restart", "brinewright-measure"], check=True)
        until(machine, "both are ready", partial(active, machine), READY_WITHIN_S)
        machine.run(["systemctl", "stop", SERVICE], check=True)
        machine.power_off()
        yield machine.disk


@pytest.fixture(scope="module")
def untouched(release: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A machine without the product, for tests after which it still has nothing of it; it runs."""
    folder = tmp_path_factory.mktemp("untouched")
    with Machine(folder, [make_root(release)], mounts_for(release)) as one:
        assert "running" == one.boot()
        yield one


@pytest.fixture(scope="module")
def running(
    release: str, installed: tuple[Path, ...], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Machine]:
    """A machine with the product at work, for tests that only look."""
    folder = tmp_path_factory.mktemp("running")
    with Machine(folder, installed, mounts_for(release)) as one:
        assert "running" == one.boot()
        until(one, "both are ready", partial(active, one), READY_WITHIN_S)
        yield one


@pytest.fixture
def station(release: str, installed: tuple[Path, ...], make_machine: MakeMachine) -> Machine:
    """A machine with the product that has just booted, its instrument with it."""
    one = make_machine(installed, mounts_for(release))
    assert "running" == one.boot()
    until(one, "both are ready", partial(active, one), READY_WITHIN_S)
    return one
