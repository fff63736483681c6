"""The clock: carried forward by the monotonic one, set again where the system's has jumped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon import clock
from daemon.clock import RehearsalClock, SystemClock, boot_id, to_millisecond
from daemon.entries import Instant

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass
class Machine:
    """The machine's two clocks, in the hands of a test."""

    wall: datetime = NOON
    mono_s: float = 500.0
    synced: bool = True

    def passes(self, seconds: float) -> None:
        """Time passes on both."""
        self.wall += timedelta(seconds=seconds)
        self.mono_s += seconds

    def monotonic(self) -> float:
        """Stand in for time.monotonic."""
        return self.mono_s

    def now(self, _: object) -> datetime:
        """Stand in for datetime.now."""
        return self.wall

    def time(self) -> float:
        """Stand in for time.time."""
        return self.wall.timestamp()


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    """Both clocks of the machine under control."""
    made = Machine()

    class Datetime(datetime):
        now = made.now  # type: ignore[assignment]

    monkeypatch.setattr(clock, "datetime", Datetime)
    monkeypatch.setattr("daemon.clock.time.monotonic", made.monotonic)
    monkeypatch.setattr("daemon.clock.time.time", made.time)
    monkeypatch.setattr(clock, "clock_is_synchronised", lambda: made.synced)
    return made


def test_both_clocks_advance_together(machine: Machine) -> None:
    """Differences of wall times are those of the monotonic clock, to the millisecond."""
    ours = SystemClock()
    first = ours.now()
    machine.passes(2.0004)
    second = ours.now()

    assert (NOON, 500.0) == (first.wall, first.mono_s)
    assert (2.0, 2.0) == ((second.wall - first.wall).total_seconds(), second.mono_s - first.mono_s)


def test_a_wall_clock_that_trembles_is_not_followed(machine: Machine) -> None:
    """Corrections of less than half a second do not bend recorded durations."""
    ours = SystemClock()
    machine.passes(10.0)
    machine.wall += timedelta(seconds=0.4)

    assert NOON + timedelta(seconds=10) == ours.now().wall


@pytest.mark.parametrize("days", [-365.0, -1e-5, 1e-5, 365.0])
def test_a_wall_clock_that_jumps_is_followed(machine: Machine, days: float) -> None:
    """Once it is right, records say the right time; the monotonic count knows nothing of it."""
    ours = SystemClock()
    machine.passes(10.0)
    machine.wall += timedelta(days=days)
    now = ours.now()

    assert (to_millisecond(machine.wall), 510.0) == (now.wall, now.mono_s)


def test_a_clock_that_becomes_synchronised_is_noticed(machine: Machine) -> None:
    """A Pi boots without knowing the time; within seconds of learning it, records say so."""
    machine.synced = False
    ours = SystemClock()
    before = ours.now().synced
    machine.synced = True
    machine.passes(11.0)

    assert (False, True) == (before, ours.now().synced)


@pytest.mark.parametrize("synced", [True, False])
def test_a_moment_says_whether_its_wall_time_can_be_trusted(
    *, machine: Machine, synced: bool
) -> None:
    """From the very first reading on."""
    machine.synced = synced

    assert synced is SystemClock().now().synced


@pytest.mark.parametrize(
    "kernel, mark, synchronised",
    [
        (True, False, True),
        (False, True, False),  # the kernel knows that the last time it was set is long ago
        (None, True, True),
        (None, False, False),
    ],
)
def test_where_the_kernel_may_not_be_asked_the_time_service_s_mark_counts(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    kernel: bool | None,  # noqa: FBT001
    mark: bool,  # noqa: FBT001
    synchronised: bool,  # noqa: FBT001
) -> None:
    """A filter of system calls must not leave a clock unsynchronised for ever."""
    monkeypatch.setattr(clock, "kernel_synchronised", lambda: kernel)
    monkeypatch.setattr(clock, "SYNCHRONISED", tmp_path / "synchronized")
    if mark:
        (tmp_path / "synchronized").touch()

    assert synchronised is clock.clock_is_synchronised()


def test_a_refusing_kernel_gives_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Minus one is the call's failure, not a state of the clock."""

    class Refusing:
        def adjtimex(self, _: object) -> int:
            return -1

    monkeypatch.setattr(clock, "_kernel_library", Refusing)

    assert None is clock.kernel_synchronised()


def test_the_boot_is_the_kernels(machine: Machine) -> None:
    """Two processes of one boot agree on it."""
    kernels = Path("/proc/sys/kernel/random/boot_id").read_text().strip()

    assert kernels == boot_id() == SystemClock().now().boot


def test_a_rehearsal_runs_faster_on_both_clocks(machine: Machine) -> None:
    """Sixty times: a second is a minute, and waiting a minute takes a second."""
    ours = RehearsalClock(60.0)
    first = ours.now()
    machine.passes(1.0)
    second = ours.now()

    assert (60.0, 60.0) == (
        (second.wall - first.wall).total_seconds(),
        second.mono_s - first.mono_s,
    )
    assert 1.0 == ours.real_s(60.0)


def test_a_rehearsal_that_is_started_again_finds_its_time_where_it_would_be(
    machine: Machine,
) -> None:
    """A restarted process goes on in the same rehearsal."""
    since = NOON - timedelta(seconds=100)
    first = RehearsalClock(60.0, since)
    machine.passes(5.0)
    second = RehearsalClock(60.0, since)

    assert first.now() == second.now()
    assert since + timedelta(seconds=105 * 60) == second.now().wall


LONG_AGO = datetime(2024, 5, 17, 6, 30, tzinfo=UTC)


def test_a_rehearsal_on_a_date_of_the_past_begins_on_it(machine: Machine) -> None:
    """And not where sixty times the years since would lead."""
    ours = RehearsalClock(60.0, LONG_AGO)
    machine.passes(10.0)

    assert LONG_AGO + timedelta(minutes=10) == ours.now().wall


def test_processes_of_a_rehearsal_share_its_time(machine: Machine) -> None:
    """One that is started later, or again, goes by the records of the first."""
    records = [RehearsalClock(60.0, LONG_AGO).now()]
    machine.passes(100.0)
    second = RehearsalClock(60.0, LONG_AGO, lambda: records[-1])

    assert LONG_AGO + timedelta(minutes=100) == second.now().wall


def test_a_process_that_is_there_before_the_first_record_waits_for_it(machine: Machine) -> None:
    """It asks again, not too often, and then has the time of the records."""
    records: list[Instant] = []
    asked: list[float] = []

    def last() -> Instant | None:
        asked.append(machine.mono_s)
        return records[-1] if records else None

    early = RehearsalClock(60.0, LONG_AGO, last)
    machine.passes(5.0)
    records.append(RehearsalClock(60.0, LONG_AGO).now())
    machine.passes(5.0)
    for _ in range(100):
        now = early.now()
        machine.passes(0.01)

    assert LONG_AGO + timedelta(seconds=60 * 5.99) == now.wall
    assert 2 == len(asked)


def test_a_rehearsal_goes_on_after_a_restart_of_the_machine(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From its last record, as no time passed for it meanwhile."""
    before = RehearsalClock(60.0, LONG_AGO).now()
    monkeypatch.setattr(clock, "boot_id", lambda: "another-boot")
    machine.wall += timedelta(days=3)
    machine.mono_s = 20.0
    after = RehearsalClock(60.0, LONG_AGO, lambda: before)

    assert before.wall == after.now().wall
    assert before.boot != after.now().boot


@pytest.mark.parametrize(
    "boot", ["boot-1", "rehearsal-10x-20240517T063000Z-a", "rehearsal-60x-20240517T063001Z-a"]
)
def test_the_records_of_another_time_say_nothing(machine: Machine, boot: str) -> None:
    """Of real time, of another speed or another beginning."""
    other = Instant(NOON, 7.0, boot)

    assert LONG_AGO == RehearsalClock(60.0, LONG_AGO, lambda: other).now().wall


def test_no_record_of_a_rehearsal_passes_for_real_time(machine: Machine) -> None:
    """Its boot says the speed, and on which date it began."""
    assert "rehearsal-60x-" in RehearsalClock(60.0).now().boot
    assert "rehearsal-60x-20240517T063000Z-" in RehearsalClock(60.0, LONG_AGO).now().boot
    assert "rehearsal" not in SystemClock().now().boot


@pytest.mark.parametrize(
    "microsecond, later", [(0, 0), (499, 0), (501, 1), (999_400, 999), (999_600, 1000)]
)
def test_times_are_kept_to_the_millisecond(microsecond: int, later: int) -> None:
    """Rounded, into the next second if need be."""
    assert NOON + timedelta(milliseconds=later) == to_millisecond(
        NOON.replace(microsecond=microsecond)
    )
