"""The figures that a call rests on, for a person to check: the `reason` of its event."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.entries import JSON
from daemon.mixing.stability.evidence import TOLERANCE, Evidence
from daemon.mixing.stability.second_path import EVEN, Proof

MOST_CONFIDENCE = 0.999
"""No call claims to be surer."""

_WINDOW_MIN = 20
_BOTH_SIDES_95 = 1.96
_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class CallBasis:
    """What there is at a call.

    Attributes:
        evidence: Of the newest cells.
        odds: Log odds of the network that mixing is over.
        score: Mean of the newest scores of a call.
        limit: What it had to pass.
        proof: That salinity rests, where the second path decides; None where the score does.
        unfamiliar: How the readings are unlike any that the network was taught.
        behind_s: How far the thermometer is behind, s.
        brought: What each group of features contributed to the log odds.
        pump_on: Whether a pump input says that the pump runs.
    """

    evidence: Evidence
    odds: float
    score: float
    limit: float
    proof: Proof | None
    unfamiliar: tuple[str, ...]
    behind_s: float
    brought: Mapping[str, float]
    pump_on: bool


def reason_of(basis: CallBasis) -> Mapping[str, JSON]:
    """Return the figures, JSON-able."""
    evidence, proof = basis.evidence, basis.proof
    by_path = _by_score(basis) if proof is None else _by_proof(proof, basis.unfamiliar)
    brought: dict[str, JSON] = dict(basis.brought)
    path, figures = by_path
    return {
        **path,
        "log_odds": round(basis.odds, 2),
        "call_score": round(basis.score, 2),
        "limit": round(basis.limit, 2),
        **figures,
        "effective_samples": round(evidence.effective, 1),
        "remaining": round(float(evidence.outlook.weight @ evidence.outlook.remaining), 4),
        "chance_beyond_tolerance": round(evidence.chance_beyond, 5),
        "tolerance": TOLERANCE,
        "scatter": round(evidence.sigma, 5),
        "thermometer_behind_s": round(basis.behind_s, 1),
        "brought": brought,
        "pump": "said to be on" if basis.pump_on else "inferred from the flow",
    }


def unfamiliar_words(unfamiliar: tuple[str, ...]) -> str:
    """Return in a sentence how readings are unlike any that the network was taught."""
    return f"the readings are unlike any that it was taught: {', '.join(unfamiliar)}"


def _by_score(basis: CallBasis) -> tuple[dict[str, JSON], dict[str, JSON]]:
    """Return what a call by the score rests on, and the slope of the last 20 min."""
    slope, slope_u = basis.evidence.slope_per_h, basis.evidence.slope_u_per_h
    path: dict[str, JSON] = {
        "confidence": round(min(1.0 / (1.0 + math.exp(-basis.odds)), MOST_CONFIDENCE), 4),
        "rests_on": "score",
    }
    return path, {
        "window_min": _WINDOW_MIN,
        "slope_per_h": round(slope, 4),
        "slope_low_per_h": round(slope - _BOTH_SIDES_95 * slope_u, 4),
        "slope_high_per_h": round(slope + _BOTH_SIDES_95 * slope_u, 4),
    }


def _by_proof(proof: Proof, unfamiliar: tuple[str, ...]) -> tuple[dict[str, JSON], dict[str, JSON]]:
    """Return what a call by rest alone rests on, why the score did not decide, and figures."""
    rest = proof.rest
    low, high = rest.interval_per_h(max(proof.level, _CONFIDENCE))
    score = unfamiliar_words(unfamiliar) if unfamiliar else "it had not passed its limit"
    sure = (
        "proven" if proof.level > EVEN else "likely, though readings scatter too widely to prove it"
    )
    path: dict[str, JSON] = {
        "confidence": round(min(rest.confidence(), MOST_CONFIDENCE), 4),
        "rests_on": f"rest over {rest.window_min:.0f} min, {sure}, whatever the score",
        "score_did_not_decide": score,
    }
    return path, {
        "window_min": round(rest.window_min),
        "slope_per_h": round(rest.slope_per_h, 4),
        "slope_low_per_h": round(low, 4),
        "slope_high_per_h": round(high, 4),
        "margin": round(TOLERANCE - rest.most(proof.level), 4),
    }
