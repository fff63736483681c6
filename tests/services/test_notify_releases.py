"""Releases through a real receiver on loopback: restarts, kills and refusals."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Phase
from tests.conftest import wait_until
from tests.services.notify_parts import Desk, Hook, hooked, make_sink, phase

MINUTE = timedelta(minutes=1)


@pytest.fixture
def hook() -> Iterator[Hook]:
    """An HTTP server that is up."""
    with hooked() as one:
        yield one


@pytest.fixture
def make_desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    """A function that gives the sink with its journal."""
    made: list[Desk] = []

    def make(*lines: str) -> Desk:
        made.append(Desk(tmp_path, lines))
        return made[-1]

    yield make
    for desk in made:
        desk.sink.close()


def test_a_new_receiver_gets_the_release_that_is_in_force(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """Of the water that is ready now, and of none before; the others are sent nothing again."""
    desk = make_desk(f"any-hour {hook.url}")
    for number, batch in enumerate(("lot-7", "lot-8")):
        desk.happen(phase(number, Phase.READY, batch))
        desk.settle()
        if batch == "lot-7":
            desk.happen(phase(number, Phase.IDLE, batch))
    before = len(hook.posts)
    with hooked() as other:
        desk.lines = (f"any-hour {hook.url}", f"any-hour {other.url}")
        desk.restart()
        desk.settle()

        assert ["mix-1: released, 34.02 ± 0.14 ppt"] == other.titles
        assert "batch lot-8\n" in other.bodies[0]
    assert 2 == before == len(hook.posts)


def test_a_release_is_called_back_where_the_process_was_killed_while_it_was_sent(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """The receiver took it, nobody noted that, and the water changed before the next start."""
    desk = make_desk(f"any-hour {hook.url}")
    desk.happen(phase(1, Phase.READY, "lot-7"))
    wait_until(desk.sink.pressing, "an answer that nobody notes")
    vars(desk.sink)["_file"].close()  # as the kernel does; nothing is written by that
    desk.sink = make_sink(desk.folder, desk.lines, desk.clocks, desk.policy, desk._seq)  # noqa: SLF001
    desk.happen(phase(2, Phase.VERIFYING, "lot-7", why="doubt"))
    desk.settle()
    desk.clocks.pass_by(11 * MINUTE)
    desk.settle()

    assert [
        "mix-1: released, 34.02 ± 0.14 ppt",
        "mix-1: release withdrawn, use none of this water",
    ] == hook.titles
    assert "\nWhy: Doubt.\n" in hook.bodies[1]


def test_a_release_that_the_receiver_refused_is_not_called_back(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """It has never read of it, and is not sent a release that is over."""
    hook.status = 503
    desk = make_desk(f"any-hour {hook.url}")
    desk.happen(phase(1, Phase.READY, "lot-7"))
    desk.settle()
    hook.status = 200
    desk.happen(phase(2, Phase.VERIFYING, "lot-7"))
    desk.clocks.pass_by(30 * MINUTE)
    desk.settle()

    assert [] == hook.titles
