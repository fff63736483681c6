"""What the tests remember of one probe: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.mixing.probe.quality.noise import NoiseState


@dataclass(slots=True)
class Spread:
    """Number, mean and sum of squared deviations of a stretch of readings."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0


@dataclass(slots=True)
class SignalState:
    """Whether a signal still scatters.

    Attributes:
        began_s: Time of the first reading of the present stretch, s; None before any.
        conductivity: Present stretch and whole ones before it, the newest last.
        temperature: The same.
        flag: Of the last whole window, as a number of `Flag`.
        figure: Behind it.
    """

    began_s: float | None = None
    conductivity: list[Spread] = field(default_factory=list)
    temperature: list[Spread] = field(default_factory=list)
    flag: int = 2
    figure: str = ""


@dataclass(slots=True)
class Pair:
    """Conductivity and temperature of one moment.

    Attributes:
        t_s: When, s.
        conductivity_mS_cm: As indicated.
        temperature_C: As indicated.
    """

    t_s: float
    conductivity_mS_cm: float
    temperature_C: float


@dataclass(slots=True)
class QualityState:
    """What the tests remember of one probe."""

    last_t_s: float | None = None
    last_salinity: float | None = None
    before_last_salinity: float | None = None
    last_step_s: float = 0.0
    last_temperature_C: float | None = None
    last_temperature_s: float | None = None
    flat_value: tuple[float, float] | None = None
    flat_since_s: float = 0.0
    flat_longest_s: float = 0.0
    ever_moved: bool = False
    outside_since_s: float | None = None
    contradicted_since_s: float | None = None
    wet_mS_cm: float = 0.0
    wet_before_mS_cm: float = 0.0
    wet_since_s: float = 0.0
    dry_since_s: float | None = None
    noise: NoiseState = field(default_factory=NoiseState)
    signal: SignalState = field(default_factory=SignalState)
    earlier: Pair | None = None
    recent: Pair | None = None
    settled: Pair | None = None
