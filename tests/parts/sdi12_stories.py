"""What may happen on an SDI-12 line of two instruments, and what must be true of it afterwards."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

from tests.parts.sdi12_bench import Sdi12Bench, bench, section, sensor

PERIOD_S = 4.0
MEASURES_S = 1.0
"""What the instruments announce; a concurrent measurement may be as much younger than its age."""
REPLY_S = 1.0
"""What the latest of the replies here needs to come whole."""
VALUES = 5

COUNTED = ("silent", "wrong_crc", "cut", "unsigned", "short", "aborts")
LATE_S = (0.0, 0.05, 0.14, 0.3, 0.4, 0.9)
SWITCHED = ("is_one_behind", "has_no_service_request", "early_service_request")
ADDRESSED = ("answers_as", "service_request_from")
COMMANDS = ("0M!", "0D0!", "1C!", "?!", "0!", "0I!", "0MC!", "0MC1!")

Happening: TypeAlias = tuple[str, object]
"""A fault of the first instrument with its value, or "noise", "other", "plugged", "share"."""
Story: TypeAlias = Iterable[tuple[float, Happening]]
"""After how many seconds each thing happens."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a story went.

    Attributes:
        readings: How many came.
        faults: How many were said.
        wrong: What must not be, in words; empty where all is right.
    """

    readings: int
    faults: int
    wrong: str = ""


def play(word: str, story: Story, seed: int = 0) -> Outcome:
    """Let things happen on a line, take all faults away, and see what came.

    Args:
        word: The measurement that is made, such as "MC".
        story: What happens when.
        seed: Of the noise: bytes are added where there are check characters, else bits flipped.
    """
    one = _line_of(word, seed)
    for wait_s, (what, how) in story:
        one.run(wait_s)
        _happen(one, what, how)
    one.run(PERIOD_S)
    _mend(one)
    one.run(3.0 * PERIOD_S)
    mended_s = one.t_s
    one.run(4.0 * PERIOD_S)
    return _outcome(one, mended_s)


def _line_of(word: str, seed: int) -> Sdi12Bench:
    """Two instruments whose values all tell when they were measured."""
    both = [sensor(address, announces_s=1, takes_s=0.5) for address in "01"]
    for each in both:
        each.measures = {word.lstrip("MC"): lambda t_s: [f"+{t_s * 1000:.0f}"] * VALUES}
    keys = f'period_s = 4\nmeasurement = "{word}"\n'
    keys += f"values = {{ conductivity = 1, temperature = {VALUES} }}\n"
    one = bench(*both, sections=[section(keys), section(keys + 'address = "1"', "ct-2")], seed=seed)
    one.sensors.adds_bytes = word.rstrip("0123456789") in {"MC", "CC"}
    return one


def _happen(one: Sdi12Bench, what: str, how: object) -> None:
    """Let one thing go wrong, or come right."""
    if what == "noise" and isinstance(how, bytes):
        one.line.came += how
    elif what == "other":
        one.sensors.other_recorder(str(how), one.t_s)
    elif what == "plugged":
        one.line.is_plugged = bool(how)
    elif what == "share" and isinstance(how, float):
        one.sensors.noise_share = how
    else:
        value = how.strip() if isinstance(how, str) else how
        setattr(one.sensors.sensors[0].faults, what, value)


def _mend(one: Sdi12Bench) -> None:
    """Take all faults away."""
    for each in one.sensors.sensors:
        each.faults = type(each.faults)()
    one.sensors.noise_share, one.line.is_plugged = 0.0, True


def _outcome(one: Sdi12Bench, mended_s: float) -> Outcome:
    readings = [each for each in one.samples if not each.fault]
    faults = [each.fault for each in one.samples if each.fault]
    wrong = [f"not to be printed: {each!r}" for each in faults if not each.isprintable()]
    for each in readings:
        measured_s = each.at.mono_s - each.conductivity_age_s
        value = each.conductivity_mS_cm
        if value is None or value != each.temperature_C:
            wrong.append(f"of two measurements: {each.spoken}")
        elif abs(measured_s - value / 1000.0) >= MEASURES_S + REPLY_S:
            wrong.append(f"of another time: {each.spoken} at {measured_s:.3f} s")
    for name in ("ct-1", "ct-2"):
        after = [each for each in readings if each.probe == name and each.at.mono_s > mended_s]
        if len(after) < 3:  # of four periods
            wrong.append(f"{name} was read {len(after)} times in the four periods at the end")
    return Outcome(len(readings), len(faults), "; ".join(wrong))
