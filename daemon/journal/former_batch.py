"""Batches of a checkpoint written before their fields were grouped, in the present shape."""

from __future__ import annotations

from typing import Any

GROUPS: dict[str, dict[str, str]] = {
    "levels": {
        "rest_level": "before_salt",
        "peak": "peak",
        "rests_at": "idle",
        "fallen_since_s": "below_idle_since_s",
    },
    "judgement": {
        "called": "salinity",
        "called_u": "salinity_u",
        "noise_u": "noise_u",
        "mean": "mean",
        "mean_bins": "mean_bins",
        "probability": "probability",
        "judged_s": "judged_s",
    },
    "age": {
        "ready_since_s": "released_s",
        "aged_from_s": "first_released_s",
        "was_ready": "was_released",
        "was_stale": "was_stale",
        "remix_told_s": "remix_advised_s",
    },
    "advice": {
        "advice": "text",
        "advised": "topic",
        "advice_salt_g": "salt_g",
        "advice_water_l": "water_l",
    },
}
"""Present names by former ones, by the group that holds them now."""
RENAMED = {"salted_since_s": "dissolving_since_s", "told": "salt"}
SALT = {
    "before": "initial_salinity",
    "mix_yield": "salt_content",
    "yield_u": "salt_content_u",
    "taken_g": "booked_g",
    "holds": "comparable",
    "teaches": "undisturbed",
    "stood_at": "steady_salinity",
    "stood_u": "steady_u",
}
"""Names in a salt addition, by former ones."""


def in_present_shape(batch: dict[str, Any]) -> dict[str, Any]:
    """Return a stored batch in the present shape; one that has it already comes back equal."""
    if "levels" in batch:
        return _aged_from_first_release(batch)
    grouped = {former for names in GROUPS.values() for former in names}
    present = {RENAMED.get(name, name): batch[name] for name in batch if name not in grouped}
    for group, names in GROUPS.items():
        present[group] = {names[name]: batch[name] for name in names if name in batch}
    if isinstance(present.get("salt"), dict):
        present["salt"] = {SALT.get(name, name): each for name, each in present["salt"].items()}
    return _aged_from_first_release(present)


def _aged_from_first_release(batch: dict[str, Any]) -> dict[str, Any]:
    """Return a batch whose age counts from its first release, also where it is not released now."""
    if not isinstance(batch.get("age"), dict):
        return batch
    age = {name: value for name, value in batch["age"].items() if name != "was_stale"}
    first_s = age.pop("first_released_s", None)
    if first_s is not None:
        age["released_s"] = first_s
    return {**batch, "age": age}
