"""When the water is expected to be steady, and since when it is: a forecast is never a fact."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON

FORECAST = (Phase.DISSOLVING,)
"""Phases in which the `stable_at` of a snapshot lies ahead."""
FACT = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
"""Phases in which it has come true."""


def expected_steady(picture: Mapping[str, JSON]) -> str | None:
    """Return when the water is expected to be steady, ISO 8601; None where nothing is forecast."""
    return _moment(picture, FORECAST)


def steady_since(picture: Mapping[str, JSON]) -> str | None:
    """Return since when the water is steady, ISO 8601; None while it is not."""
    return _moment(picture, FACT)


def _moment(picture: Mapping[str, JSON], phases: tuple[Phase, ...]) -> str | None:
    at = picture.get("stable_at")
    return str(at) if at is not None and picture.get("phase") in phases else None
