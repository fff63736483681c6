"""The locks as a Raspberry Pi installs them; `python -m tests.campaigns.aarch64` goes further."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaigns.aarch64 import wheels
from tests.campaigns.aarch64.systems import SYSTEMS

pytestmark = pytest.mark.server


def test_every_package_that_runs_there_has_a_wheel(tmp_path: Path) -> None:
    """A board has no compiler: one package without a wheel, and nothing can be installed.

    Of the systems this is the newest, whose Python mostly is not the one that runs these tests.
    """
    lock = wheels.ROOT / wheels.LOCKS[0]
    try:
        lacks = wheels.install(SYSTEMS[-1], lock, tmp_path / "there", dry=True)
    except wheels.IndexUnreachable as exc:
        pytest.skip(str(exc))

    assert [] == lacks
