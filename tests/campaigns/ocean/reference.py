"""Flag the series by `ioos-qc`: `python -m tests.campaigns.ocean.reference`.

Needs the environment of `requirements.txt` and nothing of this program.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import Any

from tests.campaigns.ocean import series
from tests.campaigns.ocean.series import Row

START_MS = 1_772_438_400_000
FLAGS = series.SERIES / "flags.json"


def times(rows: Sequence[Row]) -> Any:  # noqa: ANN401 - an array of the library's
    """Return the times of rows as the library takes them."""
    numpy: Any = import_module("numpy")
    return numpy.array([START_MS + round(1000.0 * each.t_s) for each in rows], "datetime64[ms]")


def flags() -> dict[str, str]:
    """Return the flags of each test on its series, a digit a reading."""
    qartod: Any = import_module("ioos_qc.qartod")
    rows, tens, stuck = series.underway(), series.underway(2), series.stuck()
    fading, spiked, broken = series.fading(), series.spiked(), series.broken()
    suspect, fail = series.ATTENUATED_MS_CM
    climatology = qartod.ClimatologyConfig()
    climatology.add(tspan=("2020-01-01", "2040-01-01"), vspan=series.BAND)
    found = {
        "gap": qartod.time_gap_test(times(broken), series.GAP_S / 3600.0),
        "gross_range conductivity": qartod.gross_range_test(
            [each.conductivity_mS_cm for each in rows], series.CONDUCTIVITY_RANGE
        ),
        "gross_range temperature": qartod.gross_range_test(
            [each.temperature_C for each in rows], series.TEMPERATURE_RANGE
        ),
        "expected_band": qartod.climatology_test(
            climatology, [each.salinity for each in rows], times(rows), [0.0 for _ in rows]
        ),
        "spike lone": qartod.spike_test([each.salinity for each in spiked], *series.SPIKES),
        "spike": qartod.spike_test([each.salinity for each in rows], *series.SPIKES),
        "rate_of_change": qartod.rate_of_change_test(
            [each.salinity for each in tens], times(tens), series.RATE_PER_MIN / 60.0
        ),
        "flat_line": qartod.flat_line_test(
            [each.conductivity_mS_cm for each in stuck],
            times(stuck),
            *(60.0 * minutes for minutes in series.FLAT_MIN),
            tolerance=1e-9,
        ),
        "attenuated_signal": qartod.attenuated_signal_test(
            [each.conductivity_mS_cm for each in fading],
            times(fading),
            suspect,
            fail,
            test_period=60.0 * series.ATTENUATED_MIN,
        ),
    }
    return {name: "".join(str(int(flag)) for flag in array) for name, array in found.items()}


def main() -> int:
    """Write the flags beside the series."""
    stored = {"library": "ioos-qc", "version": version("ioos-qc"), "flags": flags()}
    FLAGS.write_text(json.dumps(stored, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
