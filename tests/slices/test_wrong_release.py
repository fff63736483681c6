"""A seeded slice of the campaign in `tests/campaigns/wrong_release.py`, and that it can fail."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from tests.campaigns import wrong_release
from tests.campaigns.wrong_release import GENERATORS, Draw, draw, jobs, kept, run, run_some, table
from tests.research.stability.families import apart
from tests.research.stability.probe_model import Trace

SHORT = {
    "clean": 252, "heap": 470, "two additions": 291, "pump stops, restarts": 76,
    "never pumped": 185, "noisy": 403, "bubbling": 68, "dropouts": 70,
}  # fmt: skip
"""Seeds of kinds whose records have few readings, from the first for development on."""

TRUE_PROBE = ProbeUncertainty(0.2, 0.05)


@pytest.fixture(scope="module")
def plain() -> Trace:
    """Return a plain batch that is mixed and released."""
    return apart.trace("clean", apart.DEVELOPMENT_SEED + SHORT["clean"])


def wanted(target: float, gain: float = 1.0) -> Draw:
    """Return settings with a target, ± 1, and a probe that is off by a factor."""
    return Draw(BatchSettings(target_ppt=target, tolerance_ppt=1.0), TRUE_PROBE, gain, 0.0)


def test_nothing_is_released_that_goes_on_dissolving() -> None:
    """Eight kinds, a batch of each, through the whole station: some are released, none wrongly."""
    todo = [(f"apart: {kind}", apart.DEVELOPMENT_SEED + later) for kind, later in SHORT.items()]

    batches = run_some(todo)

    assert len(batches) == 8
    assert sum(bool(each.releases) for each in batches) >= 2
    assert kept(batches), table(batches)


def test_water_that_is_outside_once_it_is_mixed_is_found(plain: Trace) -> None:
    """If 2 more were to dissolve than the probe sees, its release would be wrong, and is listed."""
    level = float(plain.final[-1])
    lied = replace(plain, final=plain.final + 2.0, over=plain.over & False)

    batch = run("apart: clean 7", lied, wanted(level))

    assert (batch.calls, batch.wrong_calls) == (1, 1)
    (release,) = batch.releases
    assert release.wrong
    assert release.true == pytest.approx(level + 2.0, abs=0.05)
    assert release.called == pytest.approx(level, abs=0.05)
    assert not kept([batch])
    assert "apart: clean 7 at" in table([batch])


def test_water_within_tolerance_is_no_wrong_release(plain: Trace) -> None:
    """A call too soon that leaves the water inside is a wrong call, and no wrong release."""
    level = float(plain.final[-1])
    lied = replace(plain, final=plain.final + 0.5, over=plain.over & False)

    batch = run("apart: clean 7", lied, wanted(level))

    assert batch.wrong_calls == 1
    assert not batch.releases[0].outside
    assert kept([batch])


def test_a_probe_that_is_off_is_no_wrong_call(plain: Trace) -> None:
    """What a probe reads 2 % too low is released outside, and counted beside."""
    level = float(plain.final[-1])

    batch = run("apart: clean 7", plain, wanted(level - 1.1, gain=0.98))

    (release,) = batch.releases
    assert release.outside
    assert not release.wrong
    assert release.reads == pytest.approx(release.called, abs=0.05)
    assert "the probe being off" in table([batch])


def test_a_campaign_without_a_release_proves_nothing(plain: Trace) -> None:
    """Where everything is refused the exit code says so."""
    batch = run("apart: clean 7", plain, wanted(25.0))

    assert not batch.releases
    assert not kept([batch])


def test_batches_come_from_both_generators_with_one_fault_and_with_two() -> None:
    """The generators in equal parts, a third of two faults, no batch twice."""
    todo = jobs(30, 5_000_000)

    assert len(set(todo)) == len(todo) == 30
    assert sum(" + " in name for name, _ in todo) == 10
    for generator in GENERATORS:
        assert sum(name.startswith(f"{generator}: ") for name, _ in todo) == 15


def test_many_batches_end_near_a_limit() -> None:
    """Of the draws about a truth most lie near a limit, half of them outside; a seed repeats."""
    drawn = [draw(33.0, random.Random(k)) for k in range(400)]

    away = [abs(33.0 - d.settings.target_ppt) / d.settings.tolerance_ppt for d in drawn]

    assert draw(33.0, random.Random(3)) == drawn[3]
    assert 0.6 < sum(0.69 < each < 1.31 for each in away) / 400 < 0.8
    assert 0.25 < sum(each > 1.0 for each in away) / 400 < 0.45
    assert 0.4 < sum(d.settings.target_ppt > 33.0 for d in drawn) / 400 < 0.6


def test_the_command_says_what_came(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The exit code is that of the table."""
    monkeypatch.setattr(
        wrong_release,
        "jobs",
        lambda _count, seed: [("apart: clean", seed + SHORT["clean"])],
    )

    code = wrong_release.main(["--batches", "1", "--seed", str(apart.DEVELOPMENT_SEED)])

    printed = capsys.readouterr().out
    assert "truly outside because of a wrong call (must be 0)        0" in printed
    released = next(line for line in printed.splitlines() if line.startswith("releases"))
    assert code == int(released.split()[-1] == "0")
