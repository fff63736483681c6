"""What a batch was made of and has to meet, out of its events and the configuration."""

from __future__ import annotations

from pathlib import Path

from daemon.config import load
from daemon.entries import JSON, Kind
from daemon.mixing.batch.batch_record import records
from daemon.mixing.batch.lots import Lot
from daemon.records.batch_setup import setup_of
from tests.parts.configurations import configuration
from tests.unit.reports.test_batch_sheet import EVENTS, command, event, record_of

CONFIG = configuration(station='timezone = "Pacific/Chatham"\n')


def test_the_setup_is_that_of_the_last_accepted_start(tmp_path: Path) -> None:
    """Masses, lot with its number, limits and zone; a batch may teach the salt content."""
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    learned: dict[str, JSON] = {
        "what": "yield learned",
        "lot": "blue-7",
        "mix_yield": 0.871,
        "mix_yield_u": 0.004,
        "batches": 3,
    }
    starts = [
        command(5, "batch.start", mass_g=7001.0, lot="indigo"),
        command(6, "batch.start", mass_g=7202.0, lot="blue-7"),
        command(7, "batch.start", ok=False, mass_g=1.0),
        event(40, Kind.BATCH, **learned),
    ]
    lots = {"blue-7": Lot("blue-7", "L 4471-B")}
    setup = setup_of(records([EVENTS[0], *starts])[0], load(tmp_path / "brinewright.toml"), lots)

    assert (7202.0, "blue-7", "L 4471-B") == (setup.mix_g, setup.lot, setup.lot_number)
    assert (0.871, 0.004) == (setup.salt_content, setup.salt_content_u)
    assert ((33.0, 35.0), 180.0, None) == (setup.limits, setup.water_l, setup.heel_l)
    assert "Pacific/Chatham" == str(setup.zone)


def test_a_batch_of_a_reservoir_that_is_gone_has_no_limits(tmp_path: Path) -> None:
    """Nothing of another reservoir stands in for them."""
    (tmp_path / "brinewright.toml").write_text(CONFIG.replace('"mix-1"', '"mix-9"'))
    setup = setup_of(record_of(), load(tmp_path / "brinewright.toml"), {})

    assert (None, None, None, "") == (
        setup.limits, setup.water_l, setup.use_within_h, setup.lot_number
    )  # fmt: skip
