"""The drift of a cell as the chart has it: what was measured, the prior, and what records say."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.page.api.endpoint import NotThereError
from tests.page.calibration_parts import ASKED, bench
from tests.parts.calibrating import SOLUTION, later


def test_before_the_first_calibration_there_is_nothing_to_draw(tmp_path: Path) -> None:
    """A sentence says so."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        one.write()
        found = one.source.drift(ASKED, "mix-1", "ct-1")

    assert ((), None, None, ()) == (
        found.measured,
        found.in_force,
        found.posterior,
        found.by_records,
    )
    assert ("There is no calibration in force, so there is no drift to follow.",) == found.sentences


def test_with_one_record_alone_the_prior_is_what_there_is(tmp_path: Path) -> None:
    """That of the configuration; the records say nothing of a drift yet."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        record = one.corner.calibrate()
        one.write()
        found = one.source.drift(ASKED, "mix-1", "ct-1")

    assert ([record.id], record.id, 1) == (
        [each.id for each in found.measured],
        found.in_force,
        found.observations,
    )
    assert found.prior is not None
    assert found.posterior is not None
    assert found.prior.percent_30d == found.posterior.percent_30d == 0.0
    assert found.prior.u_percent_30d == pytest.approx(found.posterior.u_percent_30d, rel=1e-3)
    assert "There is one record alone, so the records say nothing of a drift yet." in (
        found.sentences
    )
    assert (
        "Assumed of the probe before any record: 0.00 ± 0.58 % in 30 days (k = 2)."
        == (found.sentences[0])
    )
    assert found.calibrate_by is not None


def test_checks_make_the_rate_known_and_when_the_limits_are_left(tmp_path: Path) -> None:
    """A cell that loses 0.3 % in thirty days."""
    with bench(tmp_path) as one:
        corner = one.corner
        corner.in_water(1)
        corner.calibrate()
        for number in range(5):
            later(corner, 30)
            corner.gain -= 0.003
            lot = SOLUTION.replace("A17", f"B{number % 2}")
            corner.calibrate("calibrate.check", references=lot)
        one.write()
        found = one.source.drift(ASKED, "mix-1", "ct-1")

    assert (6, 6) == (len(found.measured), found.observations)
    assert found.posterior is not None
    assert found.prior is not None
    assert found.posterior.percent_30d == pytest.approx(0.3, abs=2 * found.posterior.u_percent_30d)
    assert found.posterior.u_percent_30d < found.prior.u_percent_30d
    assert found.leaves_on is not None
    assert found.earliest is not None
    assert found.earliest < found.leaves_on
    assert any(
        "expected to leave ± 2 % of the calibration in force about 20" in each
        for each in found.sentences
    )
    assert found.by_prior[0].day == "2026-03-02"
    assert found.by_records[0].day == "2026-07-31"


def test_a_probe_that_nobody_knows_is_not_there(tmp_path: Path) -> None:
    """The sentence says where those that are known stand."""
    with bench(tmp_path) as one, pytest.raises(NotThereError, match="no probe 'ct-9'"):
        one.source.drift(ASKED, "mix-1", "ct-9")
