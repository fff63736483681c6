"""A slice of the stories of an SDI-12 line."""

from __future__ import annotations

import pytest

from tests.campaigns import sdi12_stories


def test_no_wrong_value_is_accepted(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever goes wrong, and all is read again afterwards."""
    status = sdi12_stories.main(["--count", "60", "--seed", "5000"])

    assert capsys.readouterr().out.endswith(" 0 wrong\n")
    assert 0 == status
