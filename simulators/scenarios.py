"""Named stories of the quarantine wing's mixing reservoir, as plain data.

Each is a function that returns a `Scenario`; `SCENARIOS` names them all.  The
reservoir is mix-1: 180 L of purified water in a vessel of 220 L, near 24 °C.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from simulators.seawater import density, mass_fraction_from_salinity
from simulators.stage import Action, Scenario
from simulators.vessel import SaltMix

WATER_L = 180.0
ROOM_C = 24.0
BLANK_S = 180.0
POUR_S = 120.0
MINUTE_S = 60.0
HOUR_S = 3600.0
IMPURITY_US_CM = 4.0


def mix_for(
    salinity: float,
    *,
    water_g: float,
    salt_g: float = 0.0,
    mix: SaltMix,
) -> float:
    """Return the grams of mix that bring this water to this practical salinity.

    Args:
        salinity: Wanted, 0 to 42.
        water_g: Water there already, g.
        salt_g: Sea salt dissolved in it already, g.
        mix: The bag; its bound water is counted as water.

    Source: mass balance of salt and water.
    """
    share = mass_fraction_from_salinity(salinity) / 1000.0
    bound = 1.0 - mix.salt_yield - mix.residue
    lacking_g = share * (water_g + salt_g) - salt_g
    return lacking_g / (mix.salt_yield - share * (mix.salt_yield + bound))


def purified_g(litres: float, temperature_C: float = ROOM_C) -> float:
    """Return the mass of purified water, g."""
    return litres * density(0.0, temperature_C)


def water_to(salinity: float, *, start: float, solution_g: float) -> float:
    """Return the litres of purified water that thin `solution_g` from `start` to `salinity`.

    Source: mass balance of salt.
    """
    return solution_g * (start / salinity - 1.0) / density(0.0, ROOM_C)


def _first_pour(salinity: float, at_s: float = BLANK_S) -> Action:
    grams = mix_for(salinity, water_g=purified_g(WATER_L), mix=SaltMix())
    return Action(at_s, "pour", {"grams": round(grams), "over_s": POUR_S})


def _solution_g(pour: Action) -> float:
    return purified_g(WATER_L) + float(pour.facts["grams"])


def _batch(
    name: str,
    tells: str,
    expects: str,
    *extra: Action,
    hours: float = 2.0,
    milestones: tuple[str, ...] = ("blank", "dissolving", "ready"),
    by_min: float = 45.0,
) -> Scenario:
    """Return the plain batch with more things happening in it."""
    actions = sorted((_first_pour(34.0), *extra), key=lambda action: action.at_s)
    return Scenario(
        name,
        tells,
        expects,
        tuple(actions),
        hours * HOUR_S,
        lands_at=34.0,
        milestones=milestones,
        expected_by_s=by_min * MINUTE_S,
    )


def plain_batch() -> Scenario:
    """Return a batch with nothing wrong."""
    return _batch(
        "plain-batch",
        "Three minutes of purified water, then salt for 34 poured over two minutes.",
        "Dissolving at 3 min, ready at 34 about 25 min after the pour.",
    )


def short_weight() -> Scenario:
    """Return a batch that lands low and is put right after an hour."""
    pour = _first_pour(31.5)
    salt_g = float(pour.facts["grams"]) * SaltMix().salt_yield
    water_g = _solution_g(pour) - salt_g
    rest_g = mix_for(34.0, water_g=water_g, salt_g=salt_g, mix=SaltMix())
    rest = Action(HOUR_S, "pour", {"grams": round(rest_g), "over_s": POUR_S})
    return replace(
        plain_batch(),
        name="short-weight",
        tells="Salt for 31.5 only; after an hour the keeper pours the rest.",
        expects="Steady at 31.5: off target, advice to add salt; then dissolving, ready at 34.",
        actions=(pour, rest),
        lasts_s=3 * HOUR_S,
        milestones=("dissolving", "off_target", "batch-off-target", "dissolving", "ready"),
        expected_by_s=100 * MINUTE_S,
    )


def too_salty() -> Scenario:
    """Return a batch that lands high and is thinned after an hour."""
    pour = _first_pour(36.0)
    litres = water_to(34.0, start=36.0, solution_g=_solution_g(pour))
    thin = Action(
        HOUR_S,
        "fill",
        {"litres": round(litres, 1), "impurity_uS_cm": IMPURITY_US_CM, "over_s": 180.0},
    )
    return replace(
        plain_batch(),
        name="too-salty",
        tells="Salt for 36; after an hour the keeper adds purified water.",
        expects="Steady at 36: off target, advice to add water; then steady and ready at 34.",
        actions=(pour, thin),
        lasts_s=3 * HOUR_S,
        milestones=("dissolving", "off_target", "batch-off-target", "dissolving", "ready"),
        expected_by_s=110 * MINUTE_S,
    )


def top_up_after_release() -> Scenario:
    """Return a good batch that is thinned an hour after it was ready."""
    top_up = Action(
        1.4 * HOUR_S,
        "fill",
        {"litres": 9.0, "impurity_uS_cm": IMPURITY_US_CM, "over_s": 120.0},
    )
    start_g = _solution_g(_first_pour(34.0))
    lands_at = 34.0 * start_g / (start_g + purified_g(9.0))
    story = _batch(
        "top-up-after-release",
        "A good batch; an hour after it was ready nine litres of purified water run in.",
        f"Ready at 34, then disturbed; steady and off target at {lands_at:.1f}.",
        top_up,
        hours=3.0,
        milestones=("ready", "dissolving", "off_target", "batch-off-target"),
        by_min=130.0,
    )
    return replace(story, lands_at=lands_at)


def bubbles() -> Scenario:
    """Return a good batch with air in the cell."""
    return _batch(
        "bubbles",
        "The pump draws air from minute 8 to minute 40: the probe reads low now and then.",
        "Each jump of the probe is marked, and no bubble taken for the water: ready at 34.",
        Action(480.0, "trouble", {"bubbles_per_h": 30.0, "bubble_depth": 0.3}),
        Action(2400.0, "trouble", {"bubbles_per_h": 0.0}),
    )


def dropouts() -> Scenario:
    """Return a good batch with replies missing."""
    return _batch(
        "dropouts",
        "One reply in five does not come; from minute 25 none comes for five minutes.",
        "Gaps are missing readings, never values; ready at 34; an alarm for the long silence.",
        Action(60.0, "trouble", {"dropout_chance": 0.2}),
        Action(1500.0, "trouble", {"dropout_chance": 1.0}),
        Action(1800.0, "trouble", {"dropout_chance": 0.2}),
        milestones=("dissolving", "probe-fault", "ready"),
        by_min=50.0,
    )


def stuck_probe() -> Scenario:
    """Return a batch whose probe freezes while salt dissolves."""
    return _batch(
        "stuck-probe",
        "Five minutes after the pour the probe repeats one value for ever.",
        "A flat line is not stability: an alarm for the probe, never ready.",
        Action(480.0, "trouble", {"stuck": True}),
        milestones=("dissolving", "probe-fault"),
        by_min=60.0,
    )


def pump_stops() -> Scenario:
    """Return a batch whose pump stands still for half an hour."""
    return _batch(
        "pump-stops",
        "The pump stops a minute after the pour, most salt undissolved, and runs again at 35 min.",
        "Steady but short while it stands; once it runs the salinity rises; ready at 34.",
        Action(360.0, "pump", {"on": False}),
        Action(2100.0, "pump", {"on": True}),
        by_min=75.0,
    )


def heel() -> Scenario:
    """Return a batch mixed onto what was left of the last one."""
    old_l = 0.15 * WATER_L
    old_g = old_l * density(34.0, ROOM_C)
    old_salt_g = old_g * mass_fraction_from_salinity(34.0) / 1000.0
    fill = Action(
        60.0,
        "fill",
        {"litres": WATER_L - old_l, "impurity_uS_cm": IMPURITY_US_CM, "over_s": 420.0},
    )
    water_g = old_g - old_salt_g + purified_g(WATER_L - old_l)
    grams = mix_for(34.0, water_g=water_g, salt_g=old_salt_g, mix=SaltMix())
    return replace(
        plain_batch(),
        name="heel",
        tells="27 L of old water at 34, purified water to 180 L, then salt for the rest.",
        expects="The start near 5 is a heel and not a batch; ready at 34.",
        actions=(fill, Action(900.0, "pour", {"grams": round(grams), "over_s": POUR_S})),
        starts_with_l=old_l,
        starts_at=34.0,
        expected_by_s=55 * MINUTE_S,
    )


def goes_stale() -> Scenario:
    """Return a good batch that nobody uses."""
    return _batch(
        "goes-stale",
        "A good batch that stands for 27 hours; a little water goes into the air.",
        "Ready at 34, then stale when its use-by of 24 h is past.",
        hours=27.0,
        milestones=("ready", "batch-ageing", "stale", "batch-stale"),
        by_min=1500.0,
    )


def garbage_line() -> Scenario:
    """Return a good batch with noise on the line."""
    return _batch(
        "garbage-line",
        "From minute 10 the line carries random bytes for a minute.",
        "A minute of missing readings, no invented ones; ready at 34.",
        Action(600.0, "trouble", {"garbage": True}),
        Action(660.0, "trouble", {"garbage": False}),
    )


def never_mixed() -> Scenario:
    """Return salt poured into water that nobody moves."""
    story = _batch(
        "never-mixed",
        "The pump never runs: the salt lies on the floor and dissolves for hours.",
        "Far below target for the whole time: an alarm that mixing takes long, never ready.",
        hours=4.0,
        milestones=("dissolving", "mixing-overdue"),
        by_min=160.0,
    )
    return replace(story, pump=False)


def unplugged() -> Scenario:
    """Return a good batch whose probe is pulled out and put back."""
    return _batch(
        "unplugged",
        "The probe's cable is pulled at 15 min and put back three minutes later.",
        "A gap and an alarm, then readings again without help; ready at 34.",
        Action(900.0, "plug", {"in": False}),
        Action(1080.0, "plug", {"in": True}),
        milestones=("dissolving", "probe-fault", "ready"),
    )


SCENARIOS: Mapping[str, Callable[[], Scenario]] = {
    "plain-batch": plain_batch,
    "short-weight": short_weight,
    "too-salty": too_salty,
    "top-up-after-release": top_up_after_release,
    "bubbles": bubbles,
    "dropouts": dropouts,
    "stuck-probe": stuck_probe,
    "pump-stops": pump_stops,
    "heel": heel,
    "goes-stale": goes_stale,
    "garbage-line": garbage_line,
    "never-mixed": never_mixed,
    "unplugged": unplugged,
}
