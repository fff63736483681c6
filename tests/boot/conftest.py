"""Machines for tests: a fresh Debian of each release, booted or about to be."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.boot.cache import UnavailableError
from tests.boot.machine import Machine
from tests.boot.prepare import prepare
from tests.boot.roots import RELEASES, make_root

HERE = Path(__file__).parent
LONGEST_TEST_S = 300

MakeMachine = Callable[..., Machine]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What boots a system takes longer than others; the releases can be tested side by side."""
    for item in items:
        if item.path.is_relative_to(HERE):
            item.add_marker(pytest.mark.server)
            if isinstance(item, pytest.Function) and hasattr(item, "callspec"):
                release = item.callspec.params.get("release", "")
                item.add_marker(pytest.mark.xdist_group(f"{item.path.stem}-{release}"))
            if item.get_closest_marker("timeout") is None:
                item.add_marker(pytest.mark.timeout(LONGEST_TEST_S))


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
