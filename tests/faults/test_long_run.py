"""A slice of the long run and of a day's backlog: nothing piles up, and nothing is left out."""

from __future__ import annotations

import gc
import re
import subprocess
import sys
from pathlib import Path

from tests.benchmarks import longrun

ROOT = Path(__file__).parents[2]
GROWTH_MIB = 8.0
"""A kilobyte kept of each reading would be more than this; buffers that fill are less."""
LIVE_S = 5.0
"""A second is the aim; other tests may hold the machine up."""


def test_four_reservoirs_leave_descriptors_and_memory_as_they_were(tmp_path: Path) -> None:
    """Forty minutes at a reading a second each, through real lines and a journal on disk."""
    # What earlier tests of this process left open would close sometime on the way.
    gc.collect()

    hours, _, written, _, _ = longrun.day(4, tmp_path, hour_s=600)

    assert written >= 4 * 600 * longrun.RESERVOIRS
    assert 1 == len({hour.descriptors for hour in hours})
    assert hours[-1].resident_mib - hours[0].resident_mib < GROWTH_MIB


def test_a_backlog_comes_whole_and_what_is_live_does_not_wait_for_it() -> None:
    """Once, in order, from the real process to a subscriber, while readings go on."""
    words = (sys.executable, "-m", "tests.benchmarks.backfill", "--hours", "6")
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=ROOT)

    assert (0, "") == (done.returncode, done.stderr)
    assert re.search(
        r"^entries of the backlog +21600 in .* once and in order$", done.stdout, re.MULTILINE
    )
    age_s = re.search(r"^age of a live state .*longest +([\d.]+) s", done.stdout, re.MULTILINE)
    assert age_s
    assert float(age_s[1]) < LIVE_S
