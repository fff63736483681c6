"""What a conductivity and temperature probe does to the truth before it says it.

Everything random comes from generators seeded by name, one for each kind of
trouble, so that turning one trouble on does not change the words of another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import expm1, floor, log10, sqrt
from random import Random

PER_MS_CM = {"uS/cm": 1000.0, "mS/cm": 1.0, "S/m": 0.1}
_SECONDS_PER_DAY = 86400.0


class InstrumentError(ValueError):
    """The instrument cannot be built as described; the text says why."""


@dataclass(frozen=True, slots=True)
class Character:
    """What an instrument is like when nothing is wrong with it.

    Attributes:
        conductivity_lag_s: First-order lag of the cell, s; 0 for none.
        temperature_lag_s: First-order lag of the thermometer, s; 0 for none.
        gain: Factor on conductivity, 1 for none.
        offset_mS_cm: Added to conductivity, mS/cm.
        temperature_offset_C: Added to temperature, °C.
        noise_share: Standard deviation of white noise, share of conductivity.
        noise_mS_cm: The least it ever is, mS/cm.
        wander_share: Standard deviation of correlated noise (AR(1)), share.
        wander_s: Correlation time of that, s.
        temperature_noise_C: Standard deviation of white noise, °C.
        step_mS_cm: Conductivity comes in multiples of this, mS/cm; 0 for none.
        digits: Significant digits of conductivity, 1 to 15.
        step_C: Temperature comes in multiples of this, °C; 0 for none.
        compensation_percent_per_C: Linear compensation the instrument applies
            to what it says, % per °C; None when it says raw conductivity.
        reference_C: Temperature it compensates to, °C.
        film_share: What of the conductivity a film of water leaves at first in air, 0 to 1.
        film_s: Time constant in which that film drains, s.
        air_lag_s: Time constant in which the thermometer forgets the water in air, s.
        units: Of what it says: "uS/cm", "mS/cm" or "S/m".
        reply: Format of a reply; takes conductivity, then temperature.
        request: What it answers to, without the line end, which may be CR, LF or both; a query in
            the form of IEEE 488.2 and SCPI, a word and a question mark.
    """

    conductivity_lag_s: float = 1.0
    temperature_lag_s: float = 5.0
    gain: float = 1.0
    offset_mS_cm: float = 0.0
    temperature_offset_C: float = 0.0
    noise_share: float = 1.2e-4
    noise_mS_cm: float = 0.0002
    wander_share: float = 0.8e-4
    wander_s: float = 20.0
    temperature_noise_C: float = 0.004
    step_mS_cm: float = 0.0001
    digits: int = 5
    step_C: float = 0.01
    compensation_percent_per_C: float | None = None
    reference_C: float = 25.0
    film_share: float = 0.0
    film_s: float = 0.0
    air_lag_s: float = 0.0
    units: str = "uS/cm"
    reply: str = "%.1f,%.2f\r"
    request: bytes = b"READ?"

    def __post_init__(self) -> None:
        """Refuse units that nobody knows and a reply that cannot be written."""
        if self.units not in PER_MS_CM:
            msg = f"units = {self.units!r}: an instrument speaks {', '.join(PER_MS_CM)}"
            raise InstrumentError(msg)
        try:
            self.reply % (1.0, 1.0)
        except (TypeError, ValueError) as exc:
            msg = f"reply = {self.reply!r}: takes two numbers, conductivity and temperature"
            raise InstrumentError(msg) from exc


@dataclass(slots=True)
class Trouble:
    """What is wrong with it now.

    Attributes:
        bubbles_per_h: Bubbles that stick in the cell, per hour.
        bubble_depth: The most a bubble takes away, as a share of conductivity.
        bubble_s: How long one sticks on average, s.
        dropout_chance: Chance that a reply does not come, 0 to 1.
        stuck: Whether it repeats the last values for ever.
        garbage: Whether it says random bytes.
        drift_per_day: Change of the gain, share per day.
    """

    bubbles_per_h: float = 0.0
    bubble_depth: float = 0.3
    bubble_s: float = 20.0
    dropout_chance: float = 0.0
    stuck: bool = False
    garbage: bool = False
    drift_per_day: float = 0.0


@dataclass(frozen=True, slots=True)
class Spoken:
    """One reply: its bytes, and the numbers in it before units and compensation.

    Attributes:
        words: What goes over the wire; empty when nothing comes.
        conductivity_mS_cm: Raw, mS/cm; None when the words hold none.
        temperature_C: °C; None when the words hold none.
    """

    words: bytes
    conductivity_mS_cm: float | None = None
    temperature_C: float | None = None


@dataclass(frozen=True, slots=True)
class _Bubble:
    depth: float
    until_s: float


@dataclass(slots=True)
class Instrument:
    """A probe with a character, its present trouble, and a seed.

    `follow` lets it feel the water for a while; `speak` makes it say something.
    The same calls with the same seed give the same words.
    """

    character: Character = field(default_factory=Character)
    seed: int = 1
    trouble: Trouble = field(default_factory=Trouble)
    _felt: tuple[float, float] | None = None
    _drifted: float = 0.0
    _wander: float = 0.0
    _spoke_s: float | None = None
    _bubbles: list[_Bubble] = field(default_factory=list)
    _last: tuple[float, float] | None = None
    _dice: dict[str, Random] = field(default_factory=dict)

    def follow(self, dt_s: float, conductivity_mS_cm: float, temperature_C: float) -> None:
        """Feel water of this conductivity and temperature for `dt_s` seconds."""
        self._drifted += self.trouble.drift_per_day * dt_s / _SECONDS_PER_DAY
        if self._felt is None:
            self._felt = (conductivity_mS_cm, temperature_C)
            return
        cell, thermometer = self._felt
        self._felt = (
            _lag(cell, conductivity_mS_cm, dt_s, self.character.conductivity_lag_s),
            _lag(thermometer, temperature_C, dt_s, self.character.temperature_lag_s),
        )

    def felt(self) -> tuple[float, float] | None:
        """Return what cell and thermometer feel now, mS/cm and °C; None before any water."""
        return self._felt

    def clean(self) -> None:
        """Undo what drift has done so far."""
        self._drifted = 0.0

    def speak(self, t_s: float) -> Spoken:
        """Return what it says at `t_s`, which must not go back between calls.

        Raises:
            InstrumentError: It has not been in the water yet, or time goes back.
        """
        measured = self._measure(t_s)
        if self.trouble.stuck and self._last is not None:
            measured = self._last
        self._last = measured
        if self._draw("dropout").random() < self.trouble.dropout_chance:
            return Spoken(b"")
        if self.trouble.garbage:
            return Spoken(self._garbage())
        return Spoken(self._words(*measured), *measured)

    def _measure(self, t_s: float) -> tuple[float, float]:
        if self._felt is None:
            msg = "the instrument has not been in the water yet: let it follow first"
            raise InstrumentError(msg)
        first = self._spoke_s is None
        since_s = 0.0 if self._spoke_s is None else t_s - self._spoke_s
        if since_s < 0.0:
            msg = f"the instrument spoke at {self._spoke_s} s already and cannot at {t_s} s"
            raise InstrumentError(msg)
        self._spoke_s = t_s
        character = self.character
        cell, thermometer = self._felt
        value = cell * character.gain * (1.0 + self._drifted) + character.offset_mS_cm
        value += self._noise(value, since_s, first=first)
        value *= 1.0 - self._bubble_depth(t_s, since_s)
        warmth = thermometer + character.temperature_offset_C
        warmth += self._draw("warmth").gauss(0.0, character.temperature_noise_C)
        coarse = max(character.step_mS_cm, _last_digit(value, character.digits))
        return max(0.0, _stepped(value, coarse)), _stepped(warmth, character.step_C)

    def _noise(self, value: float, since_s: float, *, first: bool) -> float:
        """Return white noise plus a wander that forgets itself in `wander_s`, mS/cm."""
        character = self.character
        dice = self._draw("noise")
        new = 1.0 if first else -expm1(-since_s / character.wander_s)
        # Exact AR(1) for any spacing: kept share k, fresh variance 1 - k².
        fresh = sqrt(new * (2.0 - new))
        self._wander = self._wander * (1.0 - new) + fresh * dice.gauss(0.0, character.wander_share)
        white = max(character.noise_mS_cm, character.noise_share * value)
        return self._wander * value + dice.gauss(0.0, white)

    def _bubble_depth(self, t_s: float, since_s: float) -> float:
        """Return the share that the deepest bubble in the cell takes away now."""
        trouble, dice = self.trouble, self._draw("bubbles")
        self._bubbles = [each for each in self._bubbles if each.until_s > t_s]
        per_s = trouble.bubbles_per_h / 3600.0
        came_s = t_s - since_s
        while per_s > 0.0 and (came_s := came_s + dice.expovariate(per_s)) <= t_s:
            until_s = came_s + dice.expovariate(1.0 / trouble.bubble_s)
            depth = dice.uniform(0.1, 1.0) * trouble.bubble_depth
            if until_s > t_s:
                self._bubbles.append(_Bubble(depth, until_s))
        return max((each.depth for each in self._bubbles), default=0.0)

    def _garbage(self) -> bytes:
        dice = self._draw("garbage")
        return dice.randbytes(dice.randint(3, 24))

    def _words(self, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        character = self.character
        said = conductivity_mS_cm
        if character.compensation_percent_per_C is not None:
            slope = character.compensation_percent_per_C / 100.0
            said /= 1.0 + slope * (temperature_C - character.reference_C)
        said *= PER_MS_CM[character.units]
        return (character.reply % (said, temperature_C)).encode("ascii", "replace")

    def _draw(self, purpose: str) -> Random:
        if purpose not in self._dice:
            # Reproducible stories are the point; nothing secret is drawn here.
            self._dice[purpose] = Random(f"{self.seed}/{purpose}")
        return self._dice[purpose]


def _lag(felt: float, truth: float, dt_s: float, lag_s: float) -> float:
    return truth if lag_s <= 0.0 else felt - (truth - felt) * expm1(-dt_s / lag_s)


def _last_digit(value: float, digits: int) -> float:
    """Return the worth of the last of `digits` significant digits of `value`."""
    return 10.0 ** (floor(log10(value)) - digits + 1) if value > 0.0 else 0.0


def _stepped(value: float, step: float) -> float:
    return round(round(value / step) * step, 9) if step > 0.0 else value
